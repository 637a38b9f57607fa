"""windowwatch: watches forecasts for the launch windows of a stratospheric balloon.

As a library it has the names of `__all__`; ``docs/library.md`` shows them at work. They are loaded
when they are asked for, because every command and child process imports this package first.
"""

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from windowwatch.library import (
        FlightStatus,
        FlightTrain,
        Site,
        Verdict,
        WindowwatchError,
        fly,
        open_forecast,
        open_results,
        read_settings,
        score,
    )

__all__ = [
    "FlightStatus",
    "FlightTrain",
    "Site",
    "Verdict",
    "WindowwatchError",
    "fly",
    "open_forecast",
    "open_results",
    "read_settings",
    "score",
]


def __getattr__(name: str) -> Any:
    if name in __all__:
        return getattr(import_module("windowwatch.library"), name)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})
