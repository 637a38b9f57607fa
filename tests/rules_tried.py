"""The rules that were tried on generated weeks: those before, levers one by one, the chosen."""

from typing import Any

from notices_counted import Ruleset

from windowwatch.windows.window import WindowRules

#: Every lever off: what was told before there were any.
OFF: dict[str, Any] = {
    "open_go_share": 0.0,
    "open_steady": 0.0,
    "good_cycles": 1,
    "wait_h": 0.0,
    "moved_share": 0.0,
}


def _with(**on: Any) -> WindowRules:
    return WindowRules(**{**OFF, **on})


BEFORE = Ruleset("before", WindowRules(**OFF), together=False)
CHOSEN = Ruleset("chosen", WindowRules())
TRIALS = (
    BEFORE,
    Ruleset("far windows in one message", WindowRules(**OFF)),
    Ruleset("… and theirs wait 3 h", _with(wait_h=3.0)),
    Ruleset("… and half of the hours go", _with(open_go_share=0.5)),
    Ruleset("… and landing by half its radius", _with(moved_share=0.5)),
    Ruleset("… and landing by its radius", _with(moved_share=1.0)),
    Ruleset("… and good news in 2 cycles", _with(good_cycles=2)),
    Ruleset("… and steady chance 50 %", _with(open_steady=0.5)),
    Ruleset("… and steady chance 65 %", _with(open_steady=0.65)),
    Ruleset("… and steady chance 70 %", _with(open_steady=0.7)),
    Ruleset("chosen, but steady chance 50 %", WindowRules(open_steady=0.5)),
    Ruleset("chosen, but steady chance 70 %", WindowRules(open_steady=0.7)),
    Ruleset("chosen, but far is 72 h", WindowRules(far_h=72.0)),
    Ruleset("chosen, but near chance 80 %", WindowRules(near_chance=0.8)),
    CHOSEN,
)
