"""How a watch gets at new cycles: looking for them, fetching them, and having them passed."""
