"""What is noted of a cycle, in words: what it lacks, and what was assumed. Pure."""

from collections.abc import Iterable

from windowwatch.errors import InputError
from windowwatch.forecast import notes as n
from windowwatch.forecast.models import FIELDS
from windowwatch.physics.surface import CellMethod

_MOST_LEADS_NAMED = 6
#: Winds whose two parts are looked at together.
_BOTH_PARTS = {"wind": "wind", "wind_10m": "wind at 10 m", "wind_100m": "wind at 100 m"}
_METHODS = {
    CellMethod.MEAN: "mean over an interval",
    CellMethod.SUM: "sum over an interval",
    CellMethod.MAXIMUM: "greatest in an interval",
    CellMethod.MINIMUM: "least in an interval",
}
_HOURS = {1: "one hour", 3: "three hours", 6: "six hours"}


def notes_words(notes: Iterable[n.Note]) -> tuple[str, ...]:
    """Each note in words, in order."""
    return tuple(map(note_words, notes))


def note_words(note: n.Note) -> str:
    """One note in words, without a full stop.

    Raises
    ------
    InputError
        If it is of a kind that has no words.
    """
    match note:
        case n.AtSteps(lack, leads_s, steps):
            return f"{lack_words(lack)} {_when(leads_s, steps)}"
        case n.LevelLeftOut(level_pa, fields):
            lacking = " and no ".join(map(field_words, fields))
            return f"{level_pa / 100:g} hPa is left out: it has no {lacking}"
        case n.FieldsAbsent(fields):
            return f"not in the files: {_fields(fields)}"
        case n.MemberAbsent(member):
            return f"member {member} is missing"
        case n.FewerMembers(said, there):
            return f"the source speaks of {said} members; {there} are there"
        case n.MoreGaps(count):
            return f"and {count} more gaps of this kind"
        case n.NearGround(cycle_id, inner):
            return f"{cycle_id} near the ground: {note_words(inner)}"
    return _remark_words(note)


def _remark_words(note: n.Note) -> str:
    match note:
        case n.UnperturbedLeftOut():
            return (
                "the ensemble's own unperturbed run is left out: the run without ensemble header "
                "is taken as control"
            )
        case n.CopiesDiffer(field, planes):
            return (
                f"{field_words(field)}: {planes} planes are there twice with other values; "
                f"the first one found is used"
            )
        case n.OverIntervals(method, fields):
            kind = _METHODS.get(method, str(method))
            return f"{kind} that ends at the time, not at the time: {_fields(fields)}"
        case n.IntervalsUnknown(fields):
            return (
                "stored without intervals, so taken as values at the time, sums as those since "
                f"the time before: {_fields(fields)}"
            )
        case n.TerrainWorkedOut():
            return "terrain height is not in the files; it is worked out from pressure there"
        case n.SingleStep(valid_utc, lead_s, holds_s):
            hours = _HOURS.get(holds_s // 3600, f"{holds_s / 3600:g} hours")
            return (
                f"the files hold a single step, valid {valid_utc:%Y-%m-%d %H:%M} UTC "
                f"(+{lead_s / 3600:g} h); it is taken as valid within {hours} either way"
            )
        case n.DryAir():
            # the effect as tests/physics/test_humidity.py finds it
            return (
                "humidity aloft is not in the files; air is taken as dry, which shifts a landing "
                "by 1 % of the drift, or 2 % in the tropics"
            )
        case n.ControlForAll(fields):
            return f"of these the control's is used for all members: {_fields(fields)}"
    return _pass_words(note)


def _pass_words(note: n.Note) -> str:
    match note:
        case n.Attribution(text) | n.SaidBefore(text):
            return text
        case n.ChecksNotAsked(model, checks):
            labels = ", ".join(name.replace("_", " ") for name in checks)
            return f"{model} has no data for some checks and is not asked: {labels}"
        case n.CarriedOver(reaches_utc, partial, hours):
            come = "has come as far as" if partial else "reaches no further than"
            return (
                f"this cycle {come} {reaches_utc:%Y-%m-%d %H:%M} UTC{' so far' * partial}; "
                f"{hours} hours keep an earlier answer"
            )
        case n.NearGroundUnused(cycle_id, text):
            return f"{cycle_id} near the ground is not used: {text}"
        case n.LearnedUnread(text):
            return f"{text}; the error tables from memory are used"
    raise InputError(f"no words for a note of kind {type(note).__name__}")


def lack_words(lack: n.Lack) -> str:
    """What is so at some steps, with its verb.

    Raises
    ------
    InputError
        If it is of a kind that has no words.
    """
    match lack:
        case n.NothingAloft(member):
            return f"nothing aloft{_whose(member)} is there"
        case n.NothingNearGround():
            return "nothing near the ground is there"
        case n.NotThere(planes):
            return f"{planes_words(planes)} is missing"
        case n.OnNoLevel(field, member):
            return f"{field_words(field)}{_whose(member)} is missing on all levels"
        case n.PartlyThere(planes):
            return f"{planes_words(planes)} has missing cells"
        case n.NotUsed(planes, why):
            return f"{planes_words(planes)} is not used, {fault_words(why)},"
        case n.TakenAsDry(planes):
            return f"air is taken as dry where {planes_words(planes)} is missing,"
        case n.NotReceived(planes):
            return f"{planes_words(planes)} was asked for and did not come,"
        case n.OverAnotherInterval(planes, given_s, documented_s):
            given_h, documented_h = given_s / 3600, documented_s / 3600
            return (
                f"{planes_words(planes)} is over {given_h:g} h where {documented_h:g} h are "
                "documented,"
            )
    raise InputError(f"no words for a lack of kind {type(lack).__name__}")


def fault_words(fault: n.Fault) -> str:
    """Why planes cannot be weather.

    Raises
    ------
    InputError
        If it is of a kind that has no words.
    """
    match fault:
        case n.OutOfBounds():
            return "its values cannot be right"
        case n.AllZero():
            return "it is 0 everywhere"
        case n.OneNumber():
            return "it is the same number everywhere"
        case n.AllCalm():
            return "it is calm everywhere"
        case n.HeightFalls(levels_pa, by_m):
            return f"height does not rise between {_beside(levels_pa)} (by {by_m:.0f} m somewhere)"
        case n.ThicknessOff(levels_pa, given_m, expected_m, allowed_m):
            return (
                f"{given_m:.0f} m lie between {_beside(levels_pa)} where the temperature gives "
                f"{expected_m:.0f} ± {allowed_m:.0f} m"
            )
    raise InputError(f"no words for a fault of kind {type(fault).__name__}")


def planes_words(planes: n.Planes) -> str:
    """``geopotential height at 500 hPa of member 2``."""
    level = "" if planes.level_pa is None else f" at {planes.level_pa / 100:g} hPa"
    return f"{field_words(planes.field)}{level}{_whose(planes.member)}"


def field_words(name: str) -> str:
    """A field of weather in words; its name where another version of this program knew it."""
    known = FIELDS.get(name)
    return known.words if known is not None else _BOTH_PARTS.get(name, name.replace("_", " "))


def _fields(names: Iterable[str]) -> str:
    return ", ".join(map(field_words, names))


def _whose(member: int) -> str:
    return f" of member {member}" if member else ""


def _beside(levels_pa: tuple[float, float]) -> str:
    return " and ".join(f"{p / 100:g}" for p in levels_pa) + " hPa"


def _when(leads_s: tuple[int, ...], steps: int) -> str:
    if len(leads_s) >= steps > 1:
        return "at every step"
    named = ", ".join(f"+{lead / 3600:g}" for lead in leads_s[:_MOST_LEADS_NAMED])
    more = len(leads_s) - _MOST_LEADS_NAMED
    return f"at {named} h" + (f" and {more} more steps" if more > 0 else "")
