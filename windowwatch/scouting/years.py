"""What a survey of years says of sites: shares, windows, standing by, limits, landings. Pure."""

from dataclasses import dataclass
from datetime import date, datetime

from windowwatch.scoring.values import Site
from windowwatch.units import FloatArray, IntArray

#: A crew stands by for up to so many days.
MOST_DAYS = 14
#: Sectors of a rose, the first round north; and where its classes of drift begin. [km]
SECTORS = 16
DRIFT_KM = (0.0, 25.0, 50.0, 75.0, 100.0, 150.0)


@dataclass(frozen=True)
class Windows:
    """Runs of good launch hours that are long enough, arrays [W].

    As in a watch each launch hour stands for the step that follows it, so `hours` is their number
    times the step. `month` and `year` are those of the start.
    """

    start_unix_s: IntArray
    hours: FloatArray
    month: IntArray
    year: IntArray


@dataclass(frozen=True)
class Landings:
    """How many flights land in each cell of a grid of places.

    `count` [rows, columns] from south to north and west to east; `edges` in degrees.
    """

    latitude_edges_deg: FloatArray
    longitude_edges_deg: FloatArray
    count: IntArray


@dataclass(frozen=True)
class StandingBy:
    """Chance of at least one window within 1 to 14 days, by the month of the first day.

    Attributes
    ----------
    chance, most : array [12, 14]
        Share of spans with a window, over all days that they may begin on; a day of which it is
        not known counts as one without, and in `most` as one with a window.
    spans : int array [12, 14]
        How many spans there are. They overlap, so they are far from independent.
    by_year : array [Y, 12, 14]
        As `chance`, year by year.
    """

    chance: FloatArray
    most: FloatArray
    spans: IntArray
    by_year: FloatArray


@dataclass(frozen=True)
class SiteAnswers:
    """What a survey says of one site. Months are 0 to 11.

    Attributes
    ----------
    share, known : array [12, 24]
        Share of good launch hours among those that are known, by month and local hour, and how
        many are known. NaN where none is. Hours in the dark are known, and not good.
    dark : array [12, 24]
        How many are in the dark.
    years : array [Y]
    year_share : array [Y, 12]
        Share of good hours among those in daylight that are known; NaN where less than nine
        tenths of these are. `month_share` [12] likewise, of all years together.
    windows : Windows
    windows_a_month : array [Y, 12]
        How many begin in each month of each year; NaN likewise.
    dry_days : int array [12]
        Longest spell of days without a window that begins in the month.
    dry_from, dry_until : date or None
        The longest of all.
    standing : StandingBy
    limits : tuple of str
        Checks, the commonest first …
    limited : int array [12, K]
        … and of how many hours that are not good, and not in the dark, each is the worst.
    unknown : int array [12]
        Hours in daylight of which nothing is known.
    rose : int array [12, 16, 6]
        Hours by month, where landings lie from the site, and how far; `rose_good` those that
        are good.
    landings, landings_good : Landings
    """

    site: str
    share: FloatArray
    known: IntArray
    dark: IntArray
    years: IntArray
    year_share: FloatArray
    month_share: FloatArray
    windows: Windows
    windows_a_month: FloatArray
    dry_days: IntArray
    dry_from: date | None
    dry_until: date | None
    standing: StandingBy
    limits: tuple[str, ...]
    limited: IntArray
    unknown: IntArray
    rose: IntArray
    rose_good: IntArray
    landings: Landings
    landings_good: Landings


@dataclass(frozen=True)
class Pair:
    """Two sites on the same launch hours, and on the same days; counts of those known of both."""

    first: str
    second: str
    both: int
    only_first: int
    only_second: int
    neither: int
    days_both: int
    days_only_first: int
    days_only_second: int
    days_neither: int


@dataclass(frozen=True)
class Surveyed:
    """A whole survey, as it is kept and shown.

    Parameters
    ----------
    watch : str
    mark : str
        Tells it from other surveys of the watch: of all that its answers hang on.
    made_utc : datetime
        When it was put together.
    source : str
        Whose weather it is: what the archive asks to be said, or its name.
    years : (int, int)
        First and last.
    blocks, blocks_there : int
        Parts that it was cut into, and those that are flown.
    draws : int
        Flights for each launch hour.
    step_s, min_length_s : float
        Between launch hours; shortest window. [s]
    sites : tuple of Site
        As they were then.
    asked : tuple of str
        Checks that every hour was asked.
    left_out : tuple of (str, str, tuple of str)
        Checks that were not: name, why, and the fields that lack.
    remarks : tuple of str
        What is missing of the archive, and what is assumed.
    answers : tuple of SiteAnswers
        One for each site.
    pairs : tuple of Pair
    """

    watch: str
    mark: str
    made_utc: datetime
    source: str
    years: tuple[int, int]
    blocks: int
    blocks_there: int
    draws: int
    step_s: float
    min_length_s: float
    sites: tuple[Site, ...]
    asked: tuple[str, ...]
    left_out: tuple[tuple[str, str, tuple[str, ...]], ...]
    remarks: tuple[str, ...]
    answers: tuple[SiteAnswers, ...]
    pairs: tuple[Pair, ...]
