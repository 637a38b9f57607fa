"""The newest stored cycle opened again: from its archive, or from the very files it was read from.

What a pass has read is not kept in memory, and what lies on the disk may be gone or changed
since: nothing but the same bytes is opened.
"""

from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

from windowwatch.errors import SourceError
from windowwatch.forecast.cycle import Cycle, CycleData, SourceFile
from windowwatch.forecast.download.ledger import STORE, KeptFile
from windowwatch.forecast.grib.framing import sha256_of
from windowwatch.forecast.sources import open_files
from windowwatch.scoring.nearby import NearWeather
from windowwatch.scoring.values import Site
from windowwatch.storage.cycles import StoredCycle
from windowwatch.storage.store import Store
from windowwatch.watch.nearby import NearFiles, read_near
from windowwatch.watch.values import Watch, area_of

# What a cycle is read with takes a second and 150 MB, and a rehearsal opens none again.
if TYPE_CHECKING:
    from windowwatch.forecast.dataset import CycleDataset


@dataclass(frozen=True)
class OpenAs:
    """Under which names fetched files are remembered; None where nothing is fetched.

    Parameters
    ----------
    fetched : str or None
        The deciding model's name in the ledger.
    near : str or None
        Likewise of the finer model near the ground.
    """

    fetched: str | None = None
    near: str | None = None


def newest_cycle(store: Store, watch: Watch) -> StoredCycle:
    """The deciding model's cycle that was stored last.

    Raises
    ------
    SourceError
        If none is stored yet.
    """
    stored = store.cycles(watch.name, last=1)
    if not stored:
        raise SourceError("no forecast is stored yet; nothing can be flown", retry=True)
    return stored[-1]


def open_again(stored: StoredCycle, watch: Watch, store: Store, named: OpenAs) -> CycleData:
    """A stored cycle once more, as its pass had it; raises as `dataset_again`, and:

    Raises
    ------
    MissingFieldError
        If a field is missing that nothing can be done without.
    """
    from windowwatch.forecast.normalise import build_cycle

    dataset, files = dataset_again(stored, watch, store, named)
    return build_cycle(dataset, stored.cycle, files)


def dataset_again(
    stored: StoredCycle, watch: Watch, store: Store, named: OpenAs
) -> tuple["CycleDataset", tuple[SourceFile, ...]]:
    """The values that a stored cycle was made of, as the source has them, and their files.

    Raises
    ------
    SourceError
        If its files are gone, or are not what they were.
    ForecastError
        As `windowwatch.forecast.sources.open_files`.
    """
    from windowwatch.forecast.dataset import files_of, read_archive

    kept = _kept(store, named.fetched, stored.cycle)
    archived = next((file for file in kept if file.route == STORE), None)
    if archived is not None and _is_same(archived):
        dataset = read_archive(Path(archived.path))
        sums = {file.sha256 for file in stored.files}
        if all(file.sha256 in sums for file in files_of(dataset)):
            return dataset, files_of(dataset)
    theirs = {file.path for file in _near_files(stored, watch, store, named)}
    files = [file for file in stored.files if file.path not in theirs]
    gone = [file.path for file in files if not Path(file.path).is_file()]
    if gone or not files:
        raise SourceError(
            f"{stored.cycle.id}: {len(gone)} of its {len(files)} files are not there any more"
            f"{f' ({gone[0]})' if gone else ''}; the next pass brings newer ones",
            retry=True,
        )
    dataset, read = open_files([file.path for file in files], area_of(watch.sites))
    sums = {file.sha256 for file in files}
    changed = [file.path for file in read if file.sha256 not in sums]
    if changed:
        raise SourceError(
            f"{stored.cycle.id}: its files were replaced since it was read ({changed[0]}); the "
            "next pass reads them",
            retry=True,
        )
    return dataset, read


def near_again(
    stored: StoredCycle, watch: Watch, store: Store, named: OpenAs, site: Site
) -> NearWeather | None:
    """What the finer model of a stored cycle's hours says at a site; None where none had a say."""
    files = _near_files(stored, watch, store, named)
    if not files or named.near is None:
        return None
    cycle = Cycle(files[0].cycle_utc, named.near)
    alone = replace(watch, sites=(site,))
    read = read_near(NearFiles(named.near, (site.name,), cycle, files), alone, stored.cycle)
    return None if read is None else read.sites.get(site.name)


def _near_files(
    stored: StoredCycle, watch: Watch, store: Store, named: OpenAs
) -> tuple[KeptFile, ...]:
    """Files of the finer model among those of a cycle."""
    if named.near is None:
        return ()
    hours = store.hours(watch.name, stored.cycle.id)
    ids = {hour.near_ground.cycle_id for hour in hours if hour.near_ground is not None}
    sums = {file.sha256 for file in stored.files}
    for each in sorted(filter(None, ids)):
        kept = _kept(store, named.near, Cycle.of_id(each))
        found = tuple(file for file in kept if file.route != STORE and file.sha256 in sums)
        if found:
            return found
    return ()


def _kept(store: Store, name: str | None, cycle: Cycle) -> tuple[KeptFile, ...]:
    return () if name is None else tuple(store.ledger().kept_files(name, cycle.reference_utc))


def _is_same(file: KeptFile) -> bool:
    path = Path(file.path)
    return path.is_file() and sha256_of(path) == file.sha256
