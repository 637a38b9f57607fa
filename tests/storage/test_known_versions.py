"""Versions of the schema are read from the names of files; Alembic, asked itself, says the same."""

from alembic.script import ScriptDirectory

from windowwatch.storage import engine


def test_known_versions_are_those_of_alembic_in_their_order() -> None:
    scripts = ScriptDirectory.from_config(engine._alembic_config())
    newest_first = [script.revision for script in scripts.walk_revisions()]
    assert engine.known_versions() == newest_first[::-1]
    assert engine.newest_version() == scripts.get_current_head()
