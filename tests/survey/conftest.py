"""What tests of workers share: an archive, its survey, and every block of it flown right here."""

import made_archive
import pytest

from windowwatch.survey.archive import Archive
from windowwatch.survey.blocks import block_bytes
from windowwatch.survey.flying import fly_block
from windowwatch.survey.plan import Planned


@pytest.fixture(scope="module")
def archive(tmp_path_factory: pytest.TempPathFactory) -> Archive:
    """Seventy days, so that four months have something."""
    made = made_archive.archive(days=70.0, start="2024-03-28", step_h=12)
    return made_archive.opened(made, tmp_path_factory.mktemp("made") / "made.zarr")


@pytest.fixture(scope="module")
def found(archive: Archive) -> Planned:
    """The survey of it."""
    return made_archive.survey_of(archive)


@pytest.fixture(scope="module")
def right(archive: Archive, found: Planned) -> dict[str, bytes]:
    """Every block, flown here one after the other."""
    return {
        block.key: block_bytes(fly_block(found.survey, archive, block), block)
        for block in found.blocks
    }
