"""Ground files: what `windowwatch ground build` writes and every pass reads.

A zip archive with `header.json`, one NumPy array (`.npy`) a layer, and those of `Routes`.
Arrays are stored as they are, so that they can be mapped into memory and only what is asked is
read. On wish the file is small, and read whole: all is deflated, layers as differences along
rows and columns, their small and great bytes apart.
"""

import json
import os
import tempfile
import tokenize
import zipfile
import zlib
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import fields
from io import BytesIO
from pathlib import Path
from typing import IO, Any

import numpy as np
from numpy.typing import NDArray

from windowwatch.errors import GroundError, InputError
from windowwatch.ground.plane import Grid
from windowwatch.ground.query.rasters import Base, Layer, Rasters, Routes
from windowwatch.ground.tags import Cover

#: Goes up when older programs cannot read what is written.
FORMAT = 2
_HEADER = "header.json"
_ROUTES = "routes/"
_LARGEST_HEADER = 4 * 1024 * 1024  # byte
#: What zipfile, zlib, json and NumPy make of bytes that are not what they should be.
_DAMAGE = (
    KeyError, TypeError, ValueError, AttributeError, OverflowError, SyntaxError, RuntimeError,
    zlib.error, tokenize.TokenError, InputError,
)  # fmt: skip
#: A zip entry that never changes has one date.
_DATE = (1980, 1, 1, 0, 0, 0)


def write_ground_file(
    path: Path, rasters: Rasters, *, built: str = "", small: bool = False
) -> None:
    """Write a ground file in one go: it is there whole, or not at all.

    Parameters
    ----------
    path : Path
    rasters : Rasters
    built : str
        When, for whoever reads the header.
    small : bool
        Deflate the layers.

    Raises
    ------
    GroundError
        If the file cannot be written.
    """
    try:
        handle, name = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name}.")
    except OSError as error:
        raise GroundError(f"{path}: cannot be written ({error.strerror})") from error
    try:
        with os.fdopen(handle, "wb") as raw:
            _write(raw, rasters, built, small)
            raw.flush()
            os.fsync(raw.fileno())
        Path(name).chmod(0o644)
        Path(name).replace(path)
    except OSError as error:
        raise GroundError(f"{path}: cannot be written ({error.strerror})") from error
    finally:
        Path(name).unlink(missing_ok=True)


def _write(raw: IO[bytes], rasters: Rasters, built: str, small: bool) -> None:
    grid = rasters.grid
    header = {
        "format": FORMAT,
        "built_utc": built,
        "grid": {name: getattr(grid, name) for name in Grid.__dataclass_fields__},
        "bases": [vars(base) for base in rasters.bases],
        "sources": list(rasters.sources),
        "notes": list(rasters.notes),
        "cover": [str(kind) for kind in Cover],
        "routes": rasters.routes is not None,
        "layers": {
            name: {
                "scale": layer.scale,
                "offset": layer.offset,
                "smooth": layer.smooth,
                "differences": small,
            }
            for name, layer in rasters.layers.items()
        },
    }
    how = zipfile.ZIP_DEFLATED if small else zipfile.ZIP_STORED
    with zipfile.ZipFile(raw, "w", how) as archive:
        text = json.dumps(header, indent=1, ensure_ascii=False)
        archive.writestr(zipfile.ZipInfo(_HEADER, _DATE), text)
        for name, layer in rasters.layers.items():
            _write_array(archive, name, _bytes_apart(layer.codes) if small else layer.codes, how)
        for name, values in vars(rasters.routes).items() if rasters.routes else ():
            _write_array(archive, _ROUTES + name, values, how)


def _write_array(archive: zipfile.ZipFile, name: str, values: NDArray[Any], how: int) -> None:
    entry = zipfile.ZipInfo(f"{name}.npy", _DATE)
    if how == zipfile.ZIP_DEFLATED:
        held = BytesIO()
        np.lib.format.write_array(held, np.ascontiguousarray(values), allow_pickle=False)
        archive.writestr(entry, held.getvalue(), how, 9)
        return
    with archive.open(entry, "w", force_zip64=True) as out:
        np.lib.format.write_array(out, np.ascontiguousarray(values), allow_pickle=False)


def _bytes_apart(codes: NDArray[np.uint16]) -> NDArray[np.uint8]:
    """Codes as differences along both axes, small ones of either sign in one byte: [2, …]."""
    for axis in (0, 1):  # modulo 2**16
        codes = np.diff(codes, axis=axis, prepend=np.uint16(0))
    signed = codes.astype(np.int16)
    folded = ((signed << 1) ^ (signed >> 15)).astype(np.uint16)  # 0, -1, 1, -2 … to 0, 1, 2, 3 …
    return np.stack([folded & 0xFF, folded >> 8]).astype(np.uint8)


def _bytes_joined(apart: NDArray[np.uint8]) -> NDArray[np.uint16]:
    """What `_bytes_apart` took apart."""
    folded = apart[0] | apart[1].astype(np.uint16) << 8
    codes: NDArray[np.uint16] = (folded >> 1) ^ (0 - (folded & 1)).astype(np.uint16)
    for axis in (1, 0):
        codes = np.cumsum(codes, axis=axis, dtype=np.uint16)
    return codes


def read_ground_file(path: Path) -> Rasters:
    """Read a ground file; stored layers stay on disk until they are asked.

    Raises
    ------
    GroundError
        If it is missing, cut short, of another format, or no ground file at all.
    """
    with _refused(path), zipfile.ZipFile(path) as archive:
        header = _header(path, archive)
        layers = {
            name: Layer(
                _codes(path, archive, f"{name}.npy", bool(about["differences"])),
                float(about["scale"]),
                float(about["offset"]),
                bool(about["smooth"]),
            )
            for name, about in header["layers"].items()
        }
        grid = Grid(**header["grid"])
        for name, layer in layers.items():
            if layer.codes.shape != grid.shape:
                raise ValueError(f"layer {name} is {layer.codes.shape}, the grid {grid.shape}")
        bases = [Base(**base) for base in header["bases"]]
        routes = _routes(path, archive) if header["routes"] else None
        return Rasters(str(path), grid, layers, bases, header["sources"], header["notes"], routes)


def _routes(path: Path, archive: zipfile.ZipFile) -> Routes:
    return Routes(
        **{f.name: _array(path, archive, f"{_ROUTES}{f.name}.npy") for f in fields(Routes)}
    )


@contextmanager
def _refused(path: Path) -> Iterator[None]:
    """Turn whatever a damaged file brings forth into one clear error."""
    again = "build it again with `windowwatch ground build`"
    try:
        yield
    except FileNotFoundError as error:
        raise GroundError(
            f"{path}: no such file; make it with `windowwatch ground build`, or fix "
            "[ground] file in the settings"
        ) from error
    except OSError as error:
        raise GroundError(f"{path}: cannot be read ({error.strerror or error})") from error
    except (zipfile.BadZipFile, EOFError) as error:
        raise GroundError(
            f"{path}: is no ground file, or one that was cut short; {again}"
        ) from error
    except _DAMAGE as error:
        raise GroundError(f"{path}: is a damaged ground file ({error}); {again}") from error


def _header(path: Path, archive: zipfile.ZipFile) -> dict[str, Any]:
    if _HEADER not in archive.namelist() or archive.getinfo(_HEADER).file_size > _LARGEST_HEADER:
        raise zipfile.BadZipFile("no header")
    header: dict[str, Any] = json.loads(archive.read(_HEADER))
    if header["format"] != FORMAT or header["cover"] != [str(kind) for kind in Cover]:
        raise GroundError(
            f"{path}: is a ground file of format {header['format']}, and this program reads "
            f"format {FORMAT}; build it again with `windowwatch ground build`"
        )
    return header


def _codes(
    path: Path, archive: zipfile.ZipFile, name: str, differences: bool
) -> NDArray[np.uint16]:
    """Codes of a layer: mapped into memory where they are stored as they are."""
    codes = _array(path, archive, name)
    if codes.dtype != (np.uint8 if differences else np.uint16) or codes.ndim != 2 + differences:
        raise ValueError(f"layer {name} is no grid of 16-bit numbers")
    return _bytes_joined(codes) if differences else codes


def _array(path: Path, archive: zipfile.ZipFile, name: str) -> NDArray[Any]:
    """An array: mapped into memory where it is stored as it is."""
    entry = archive.getinfo(name)
    if entry.compress_type != zipfile.ZIP_STORED:
        with archive.open(entry) as raw:
            values: NDArray[Any] = np.lib.format.read_array(BytesIO(raw.read()), allow_pickle=False)
        return values
    with path.open("rb") as raw:
        raw.seek(entry.header_offset + 26)  # lengths of name and extra field, APPNOTE 4.3.7
        lengths = np.frombuffer(raw.read(4), dtype="<u2")
        raw.seek(entry.header_offset + 30 + int(lengths.sum()))
        version = np.lib.format.read_magic(raw)
        if version != (1, 0):
            raise ValueError(f"{name} is of NumPy's format {version}")
        shape, fortran, dtype = np.lib.format.read_array_header_1_0(raw)
        if fortran or dtype.hasobject:
            raise ValueError(f"{name} is no array of numbers in rows")
        begin = raw.tell()
    size = int(np.prod(shape, dtype=np.int64))
    if begin + dtype.itemsize * size > path.stat().st_size:
        raise zipfile.BadZipFile("an array runs past the end")
    if size == 0:  # nothing to map
        return np.zeros(shape, dtype=dtype)
    return np.memmap(path, dtype=dtype, mode="r", offset=begin, shape=shape)
