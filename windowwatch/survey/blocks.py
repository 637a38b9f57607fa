"""Blocks of a survey on the disk, and its answers as tables: the only door to pyarrow.

A block is one Parquet file: typed columns with their names, a third of the size of a plain dump,
and read by whatever else people work with. It is written beside its place, flushed and renamed,
so a file that is there is whole; and the bytes are the same whoever flew it.
"""

import io
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pyarrow as pa
from pyarrow import parquet

from windowwatch.errors import StorageError, shown
from windowwatch.survey.folder import write_whole
from windowwatch.survey.rows import Rows, State

# Whoever reads blocks need not load what reads archives.
if TYPE_CHECKING:
    from windowwatch.survey.plan import Block

_TIMES = b"windowwatch.times"
_STATES = {each.value: each.name.lower() for each in State}


def block_bytes(rows: Rows, block: "Block") -> bytes:
    """A block as the bytes of a Parquet file."""
    table = _table(rows).replace_schema_metadata({_TIMES: str(block.times).encode()})
    into = io.BytesIO()
    parquet.write_table(table, into, compression="zstd")
    return into.getvalue()


def _table(rows: Rows) -> pa.Table:
    draws = rows.landing_latitude_deg.shape[1]
    places = {
        name: pa.FixedSizeListArray.from_arrays(pa.array(values.reshape(-1)), draws)
        for name, values in (
            ("landing_latitude_deg", rows.landing_latitude_deg),
            ("landing_longitude_deg", rows.landing_longitude_deg),
        )
    }
    return pa.table(
        {
            "site": pa.array(rows.site.tolist(), pa.string()),
            "launch_utc": pa.array(1000 * rows.time_unix_s, pa.timestamp("ms", "UTC")),
            "state": pa.array([_STATES[int(each)] for each in rows.state], pa.string()),
            "limit": pa.array(rows.limit.tolist(), pa.string()),
            **{
                name: pa.array(
                    getattr(rows, name), pa.float32(), mask=np.isnan(getattr(rows, name))
                )
                for name in ("score", "chance", "drift_km", "bearing_deg")
            },
            **places,
        }
    )


def _rows(table: pa.Table) -> Rows:
    numbers = {name: value for value, name in _STATES.items()}
    draws = table.schema.field("landing_latitude_deg").type.list_size

    def plain(name: str) -> Any:
        values = table[name].combine_chunks()
        return np.asarray(values.to_numpy(zero_copy_only=False), dtype=np.float32)

    def places(name: str) -> Any:
        flat = table[name].combine_chunks().flatten().to_numpy(zero_copy_only=False)
        return np.asarray(flat, dtype=np.float32).reshape(-1, draws)

    return Rows(
        np.array(table["site"].to_pylist(), dtype=object),
        table["launch_utc"].cast(pa.timestamp("s", "UTC")).cast(pa.int64()).to_numpy(),
        np.array([numbers[each] for each in table["state"].to_pylist()], dtype=np.int8),
        np.array(table["limit"].to_pylist(), dtype=object),
        *(plain(name) for name in ("score", "chance", "drift_km", "bearing_deg")),
        *(places(name) for name in ("landing_latitude_deg", "landing_longitude_deg")),
    )


class Shelf:
    """The folder of a survey's blocks."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder

    def path(self, block: "Block") -> Path:
        """Where a block is, or will be."""
        return self.folder / "blocks" / f"{block.key}.parquet"

    def has(self, block: "Block") -> bool:
        """Whether a block is there, of as many times of the archive as there are now."""
        path = self.path(block)
        if not path.exists():
            return False
        try:
            metadata = parquet.read_schema(path).metadata or {}
        except (OSError, pa.ArrowException):
            return False
        return bool(metadata.get(_TIMES) == str(block.times).encode())

    def put(self, block: "Block", content: bytes) -> None:
        """Write a block, whole or not at all.

        Raises
        ------
        StorageError
            If the disk refuses.
        """
        write_whole(self.path(block), content)

    def there(self) -> tuple[str, ...]:
        """Names of the blocks that are there."""
        return tuple(sorted(path.stem for path in (self.folder / "blocks").glob("*.parquet")))

    def rows(self, asked: Sequence[str]) -> Rows:
        """Every launch hour of those of some blocks that are there.

        Raises
        ------
        StorageError
            If there is none, or one cannot be read; it is named.
        """
        found = []
        for key in sorted(set(asked) & set(self.there())):
            path = self.folder / "blocks" / f"{key}.parquet"
            try:
                found.append(_rows(parquet.read_table(path)))
            except (OSError, KeyError, ValueError, pa.ArrowException) as error:
                raise StorageError(
                    f"{shown(path)}: cannot be read ({type(error).__name__}: {error}); remove it, "
                    "and `windowwatch survey run` makes it again"
                ) from error
        if not found:
            raise StorageError(f"{shown(self.folder)} holds no block; run `windowwatch survey run`")
        return Rows.joined(found)


def write_rows(path: Path, rows: Rows) -> None:
    """Write launch hours as one Parquet file."""
    into = io.BytesIO()
    parquet.write_table(_table(rows), into, compression="zstd")
    write_whole(path, into.getvalue())


def write_columns(path: Path, columns: Mapping[str, Sequence[Any]]) -> None:
    """Write a table of answers as Parquet."""
    into = io.BytesIO()
    parquet.write_table(
        pa.table({name: pa.array(values) for name, values in columns.items()}), into
    )
    write_whole(path, into.getvalue())
