"""Numbers and names that are typed: their bounds, and what is usual."""

import re
from math import isfinite
from typing import TYPE_CHECKING, Any
from urllib.parse import urlsplit

import click

# Generic in newer releases of click alone, and there to a type checker first of all.
if TYPE_CHECKING:

    class _OfFloat(click.ParamType[float]): ...

    class _OfText(click.ParamType[str]): ...

else:
    _OfFloat = _OfText = click.ParamType

#: Up to so many times the payload's mass a nozzle lift is usual, unless the free lift is small
#: beside the whole train. Common practice, no source; usual are 1.5 to 4.
MOST_LIFT = 5.0
#: … free lift over the mass of balloon and payload.
MOST_FREE_LIFT = 2.0


class Number(_OfFloat):
    """A number between bounds; whoever misses them is told what is usual.

    Parameters
    ----------
    lowest, highest : float
        Beyond these nobody can mean it.
    unit : str
    usual : str
        What most would give, in words.
    """

    name = "number"

    def __init__(self, lowest: float, highest: float, unit: str, usual: str) -> None:
        self.lowest, self.highest, self.unit, self.usual = lowest, highest, unit, usual

    def convert(
        self, value: Any, param: click.Parameter | None, context: click.Context | None
    ) -> float:
        """The number.

        Raises
        ------
        click.BadParameter
            If it is none, or beyond the bounds.
        """
        try:
            number = float(value)
        except ValueError:
            if "," in str(value):
                self.fail(f"{value} has a comma; write a point: {str(value).replace(',', '.')}")
            self.fail(f"{value!r} is no number; give it in {self.unit}, without the unit")
        if not (isfinite(number) and self.lowest <= number <= self.highest):
            self.fail(
                f"{number:.10g} {self.unit} cannot be meant; give {self.lowest:g} to "
                f"{self.highest:g} {self.unit} (usual: {self.usual})",
                param,
                context,
            )
        return number


class Words(_OfText):
    """A name that can be shown: a few printable characters."""

    name = "text"

    def __init__(self, most: int = 80) -> None:
        self.most = most

    def convert(
        self, value: Any, param: click.Parameter | None, context: click.Context | None
    ) -> str:
        """The text without spaces around it.

        Raises
        ------
        click.BadParameter
            If it is empty, too long, or holds what cannot be printed.
        """
        text = str(value).strip()
        if not text or len(text) > self.most or not text.isprintable():
            self.fail(f"give 1 to {self.most} printable characters", param, context)
        return text


class Address(_OfText):
    """Where something listens or is reached: `web` asks for http:// or https:// before it."""

    name = "address"

    def __init__(self, *, web: bool = False) -> None:
        self.web = web

    def convert(
        self, value: Any, param: click.Parameter | None, context: click.Context | None
    ) -> str:
        """The address, without spaces around it and slashes behind it.

        Raises
        ------
        click.BadParameter
            If nothing can listen at it, or no browser open it; with what is usual.
        """
        text = str(value).strip().rstrip("/")
        if self.web:
            try:
                parts = urlsplit(text)
                # reading the port alone refuses one that is no number
                right = bool(
                    parts.scheme in ("http", "https") and parts.hostname and parts.port != 0
                )
            except ValueError:
                right = False
            usual = "https://watch.example.org"
        else:
            right = re.fullmatch(r"[0-9A-Za-z.:%-]{1,253}", text) is not None
            usual = "127.0.0.1 for this machine alone, 0.0.0.0 for all who reach it"
        if not right or any(each.isspace() for each in text):
            self.fail(f"{str(value)!r} is no address (usual: {usual})", param, context)
        return text


def unusual_lift(nozzle_lift_kg: float, payload_kg: float, balloon_kg: float) -> str | None:
    """Say that a nozzle lift is far from what is usual; None where it is not.

    Examples
    --------
    >>> unusual_lift(130.0, 3.25, 3.0)
    'a nozzle lift of 130 kg is 40 times the payload (usual: 1.5 to 4 times)'
    """
    free = nozzle_lift_kg - payload_kg
    if nozzle_lift_kg <= MOST_LIFT * payload_kg or free <= MOST_FREE_LIFT * (
        payload_kg + balloon_kg
    ):
        return None
    return (
        f"a nozzle lift of {nozzle_lift_kg:.3g} kg is {nozzle_lift_kg / payload_kg:.0f} times the "
        "payload (usual: 1.5 to 4 times)"
    )
