"""A forecast folder that is not there is refused before anything starts."""

from pathlib import Path

import pytest
from click.testing import CliRunner
from line_watch import settings_in

from windowwatch.cli.main import main

pytestmark = pytest.mark.night


@pytest.mark.parametrize("command", ["check", "serve"])
def test_a_forecast_folder_that_is_not_there_is_refused(tmp_path: Path, command: str) -> None:
    path = settings_in(tmp_path)
    text = path.read_text(encoding="utf-8").replace('"forecasts"', '"nowhere"')
    path.write_text(text, encoding="utf-8")
    done = CliRunner().invoke(
        main,
        [command, "--settings", str(path)],
        env={"XDG_DATA_HOME": str(tmp_path / "data"), "WINDOWWATCH_PAGE_TOKEN": None},
    )
    assert done.exit_code == 1, done.output
    assert "nowhere" in done.output
    assert not (tmp_path / "data").exists()
