"""From a plan to the release: what was decided and done, the countdown, the fill, the releases."""
