"""Licences as the installed packages state them (PEP 639), and the lock file."""

import re
from importlib import metadata

import pytest
import supply
from packaging.utils import canonicalize_name
from packaging.version import Version

PAGE = supply.PAGE.read_text(encoding="utf-8")
TABLE = supply.table_of(PAGE)
LOCKED = supply.locked(supply.LOCK.read_text(encoding="utf-8"))


def test_our_own_licence_is_in_the_metadata() -> None:
    named = supply.project()
    assert named["license"] == "MIT"
    assert named["license-files"] == ["LICENSE"]
    assert (supply.ROOT / "LICENSE").read_text(encoding="utf-8").startswith("MIT License\n")


def test_everything_that_is_asked_for_is_in_the_table() -> None:
    asked = supply.direct("maps", "postgres", "survey", "test", "real-map")
    assert {canonicalize_name(r.name) for r in asked} <= TABLE.keys()
    assert LOCKED.keys() - {"setuptools"} <= TABLE.keys()


@pytest.mark.parametrize("name", sorted(TABLE))
def test_the_table_says_what_the_package_states(name: str) -> None:
    try:
        metadata.version(name)
    except metadata.PackageNotFoundError:
        pytest.skip(f"{name} is not installed here")
    stated = supply.licence(name)
    if stated is None:
        stated = supply.READ_ELSEWHERE[name][0]
        assert TABLE[name].startswith(f"{stated} (")
    else:
        assert TABLE[name] == stated, "run `python tests/house/supply.py` and read what changed"


def test_wheels_that_carry_libraries_of_others_are_named() -> None:
    installed = supply.closure(supply.direct("maps", "postgres", "survey"))
    carrying = {name for name in installed if supply.carries_libraries(name)}
    assert carrying, "these wheels are of Linux"
    assert {name for name in carrying if f"**{name}**" not in PAGE} == set()


def test_copyleft_is_named_where_it_binds() -> None:
    for name, spdx in TABLE.items():
        if re.search(r"GPL|MPL|OFL", spdx):
            assert name in PAGE.partition("## Licences")[0], f"{name} is under {spdx}"


def test_the_lock_pins_what_pyproject_asks_for() -> None:
    for requirement in supply.direct("postgres"):
        pins = LOCKED[canonicalize_name(requirement.name)]
        for pin, _ in pins:
            (exact,) = pin.specifier
            assert exact.operator == "=="
            assert requirement.specifier.contains(Version(exact.version)), requirement


def test_the_lock_is_whole() -> None:
    """Everything that the installed packages need in the end, ecCodes itself not least."""
    assert supply.closure(supply.direct("postgres")) <= LOCKED.keys()
    assert {"eccodeslib", "eckitlib", "setuptools"} <= LOCKED.keys()


def test_the_lock_has_hashes_and_names_no_host() -> None:
    text = supply.LOCK.read_text(encoding="utf-8")
    assert all(count > 0 for pins in LOCKED.values() for _, count in pins)
    assert not re.search(r"://|--(extra-)?index-url|--find-links|--trusted-host", text)
