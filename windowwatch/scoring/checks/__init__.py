"""What each check asks of weather, flights and ground: from paths and series to answers."""
