"""windowwatch: watches forecasts for the launch windows of a stratospheric balloon."""
