"""What part a cycle plays for its watch: it decides, or it is what another model says."""

from enum import StrEnum


class Role(StrEnum):
    """Part of a stored cycle among those of its watch.

    Windows, changes and everything called "newest" are of the deciding model; cycles of other
    models have hours only, which are read to say what those models think.
    """

    PRIMARY = "primary"
    OPINION = "opinion"
