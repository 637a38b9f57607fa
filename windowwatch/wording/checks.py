"""Single checks, and what other models say by them, in words. Pure."""

from windowwatch.scoring.values import Check, Opinion


def check_sentence(check: Check) -> str:
    """One plain sentence with value and limit, fit for a phone."""
    return check.sentence


def opinion_words(opinion: Opinion) -> str:
    """What another model says against an hour; empty when it says go."""
    return opinion.says
