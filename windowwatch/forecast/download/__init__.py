"""Forecasts over HTTP: what each model offers, what is asked for, how it comes in."""
