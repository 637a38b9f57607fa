"""Whether the samples, what makes them and what checks them are as when they were last checked.

    python tests/recorded.py        # checks them all, and records that they are right

Their tests take a minute and depend on nothing else, so README's command leaves them out as
long as the checksum in `samples/checked.sha256` is the present one. When it is not, they run,
and `house/test_house.py` fails until they are recorded. `.ci/run` runs them always.
"""

import hashlib
import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
RECORD = ROOT / "tests" / "samples" / "checked.sha256"


def checksum() -> str:
    """SHA-256 over names and contents of samples, their makers and their tests."""
    found = hashlib.sha256()
    folders = (ROOT / "grib_samples", ROOT / "tests" / "samples")
    kinds = (".py", ".grib2", ".idx")
    for path in sorted(p for folder in folders for p in folder.rglob("*") if p.suffix in kinds):
        content = hashlib.sha256(path.read_bytes()).hexdigest()
        found.update(f"{content}  {path.relative_to(ROOT).as_posix()}\n".encode())
    return found.hexdigest()


def samples_have_changed() -> bool:
    """Whether they are others than those that were checked and recorded."""
    return not RECORD.exists() or RECORD.read_text(encoding="utf-8").strip() != checksum()


def main() -> int:
    """Check the samples and, if they are right, record them."""
    before = checksum()
    tests = [sys.executable, "-m", "pytest", "-q", "-m", "samples", "tests/samples"]
    code = subprocess.run(tests, cwd=ROOT, check=False).returncode
    if code == 0 and checksum() == before:
        RECORD.write_text(f"{before}\n", encoding="utf-8")
        print(f"recorded in {RECORD.relative_to(ROOT)}")
    return code


if __name__ == "__main__":
    raise SystemExit(main())
