"""The dark scheme: every text and sign stands out, by WCAG 2.2's contrast, as in the light one."""

import re
from itertools import product
from pathlib import Path

import pytest

import windowwatch.drawing
import windowwatch.web

WEB = Path(windowwatch.web.__file__).parent / "static"
DRAWING = Path(windowwatch.drawing.__file__).parent / "static"
SHEETS = {
    "light": (WEB / "style.css", DRAWING / "map.css"),
    "dark": (WEB / "style.css", DRAWING / "map.css", WEB / "dark.css", DRAWING / "map-dark.css"),
}
SCHEMES = pytest.mark.parametrize("scheme", list(SHEETS))


def luminance(colour: str) -> float:
    """Relative luminance (WCAG 2.2, definitions)."""
    digits = colour.lstrip("#")
    if len(digits) == 3:
        digits = "".join(2 * digit for digit in digits)
    parts = [int(digits[i : i + 2], 16) / 255.0 for i in (0, 2, 4)]
    red, green, blue = (
        part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts
    )
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def contrast(one: str, other: str) -> float:
    """Contrast ratio (WCAG 2.2, definitions): 21 for black on white."""
    dark, light = sorted((luminance(one), luminance(other)))
    return (light + 0.05) / (dark + 0.05)


def colours(scheme: str) -> dict[str, str]:
    text = "".join(path.read_text(encoding="utf-8") for path in SHEETS[scheme])
    return dict(re.findall(r"(--[\w-]+):\s*(#[0-9a-f]{3,6})\b", text))


def cells(scheme: str) -> dict[str, tuple[str, str]]:
    """Background and text of each step of the scores."""
    known = colours(scheme)
    found: dict[str, tuple[str, str]] = {}
    for path in SHEETS[scheme]:
        for name, rules in re.findall(r"^\.(s\d+) {(.*?)}", path.read_text(encoding="utf-8"), re.M):
            own = dict(re.findall(r"(background|color): (#[0-9a-f]{3,6}|var\(--ink\))", rules))
            before = found.get(name, ("", ""))
            text = own.get("color", before[1])
            found[name] = (own.get("background", before[0]), text)
    return {
        name: (back, known["--ink"] if text == "var(--ink)" else text)
        for name, (back, text) in found.items()
    }


def test_the_formula_is_that_of_the_standard() -> None:
    """WCAG 2.2: black on white is 21 to 1; #767676 on white just reaches 4.5 (common example)."""
    assert contrast("#000", "#fff") == pytest.approx(21.0)
    assert 4.5 <= contrast("#767676", "#fff") < 4.6


@SCHEMES
def test_words_can_be_read(scheme: str) -> None:
    """WCAG 2.2, success criterion 1.4.3: 4.5 to 1."""
    known = colours(scheme)
    pairs = [
        *product(("--ink", "--muted", "--hue", "--accent"), ("--paper", "--sheet")),
        ("--ink", "--warn"),
        ("--on-hue", "--hue"),
        ("--ink", "--day-light"),
        ("--ink", "--day-dark"),
        *product(
            ("--map-ink",),
            ("--map-land", "--map-water", "--map-forest", "--map-wetland", "--map-hatch"),
        ),
    ]
    for text, back in pairs:
        assert contrast(known[text], known[back]) >= 4.5, (text, back)
    steps = cells(scheme)
    assert len(steps) == 11
    for name, (back, text) in steps.items():
        assert contrast(text, back) >= 4.5, name


@SCHEMES
def test_signs_of_the_map_stand_out_from_the_land(scheme: str) -> None:
    """WCAG 2.2, success criterion 1.4.11: 3 to 1 for what must be seen to understand."""
    known = colours(scheme)
    for sign in ("drive", "landing", "flight", "airspace", "permitted", "shun", "road-major"):
        assert contrast(known[f"--map-{sign}"], known["--map-land"]) >= 3.0, sign


def test_the_dark_scheme_names_every_colour_of_the_light_one() -> None:
    light, dark = colours("light"), "".join(
        (folder / name).read_text(encoding="utf-8")
        for folder, name in ((WEB, "dark.css"), (DRAWING, "map-dark.css"))
    )  # fmt: skip
    missing = [name for name in light if f"{name}:" not in dark]
    assert missing == []
