"""Facts in; English out."""
