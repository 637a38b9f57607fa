"""Years of weather in; how often, when and where an hour is good, out."""
