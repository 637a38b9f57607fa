"""Flights, weather and ground in; scored hours out."""
