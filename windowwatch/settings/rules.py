"""The table [rules]: which published rule the train is held against, and its packages."""

import tomllib
from pathlib import Path
from typing import Annotated

from pydantic import Field

from windowwatch.errors import InputError, SettingsError
from windowwatch.scoring.applied import AppliedRules
from windowwatch.scoring.rule_tables import rule_set
from windowwatch.scoring.rules import Package, RuleSet
from windowwatch.settings.section import Section

_LARGEST_FILE = 1024 * 1024


class PackageSection(Section):
    """One package of the payload; `smallest_face_m2` is the area of its smallest face."""

    mass_kg: Annotated[float, Field(gt=0.0, le=100.0)]
    smallest_face_m2: Annotated[float, Field(gt=0.0, le=100.0)] | None = None


class RulesSection(Section):
    """A rule set file, relative to the settings file, and what it must know of the train.

    Without packages the whole payload is one. `separation_n` is the impact force that parts
    payload and balloon. `lay_limits` makes limits stricter where the rule asks it.
    """

    set: str | None = None
    lay_limits: bool = True
    separation_n: Annotated[float, Field(gt=0.0, le=1e5)] | None = None
    packages: tuple[PackageSection, ...] = ()

    def applied(self, folder: Path, payload_kg: float) -> AppliedRules | None:
        """The rule set applied to the train; None where none is named.

        Raises
        ------
        SettingsError
            If the file is missing or wrong.
        InputError
            If packages weigh more than the train carries.
        """
        if self.set is None:
            if self.packages or self.separation_n is not None:
                raise InputError(
                    '[rules] packages and separation_n are for a rule set; name it: set = "…"'
                )
            return None
        packages = [Package(each.mass_kg, each.smallest_face_m2) for each in self.packages]
        whole = sum(package.mass_kg for package in packages)
        if whole > payload_kg * 1.000001:
            raise InputError(
                f"[rules] packages weigh {whole:g} kg together, and the train carries only "
                f"payload_mass_kg = {payload_kg:g}; mend one of them"
            )
        rules = read_rule_set(folder / Path(self.set).expanduser())
        return AppliedRules.of(
            rules, packages or [Package(payload_kg)], self.separation_n, laid=self.lay_limits
        )


def read_rule_set(path: Path) -> RuleSet:
    """A rule set from its file.

    Raises
    ------
    SettingsError
        Names file, table, key and mend.
    """
    try:
        if path.stat().st_size > _LARGEST_FILE:
            raise SettingsError(f"{path}: is too large to be a rule set; mend [rules] set")
        return rule_set(tomllib.loads(path.read_text(encoding="utf-8")))
    except FileNotFoundError as error:
        raise SettingsError(
            f"{path}: no such file; mend [rules] set (config/rules/ holds examples)"
        ) from error
    except OSError as error:
        raise SettingsError(f"{path}: cannot be read ({error.strerror})") from error
    except (UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        raise SettingsError(f"{path}: is not valid TOML: {error}") from error
    except InputError as error:
        raise SettingsError(f"{path}: {error.message}") from error
