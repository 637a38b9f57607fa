"""How many notices come, and how many were for nothing, by rules: the curve of docs/decisions.md.

``python tests/benchmarks/notices.py [WEEKS [FIRST_SEED]]`` makes a thousand weeks, for which it
takes about twenty minutes, and prints one row for each set of rules that was tried.
"""

import sys
import time
from collections import Counter
from pathlib import Path

sys.path[:0] = [str(Path(__file__).parents[1] / "alerts"), str(Path(__file__).parents[1])]

from flown import load
from generated import generate
from measured import count, live, row
from trials import TRIALS


def main(weeks: int = 1000, first: int = 0) -> None:
    """Print the curve as the rows of a table."""
    library, begun = load(), time.process_time()
    found: dict[str, Counter[str]] = {trial.name: Counter() for trial in TRIALS}
    for seed in range(first, first + weeks):
        week = generate(library, seed)
        for trial in TRIALS:
            found[trial.name] += count(week, trial, live(week, trial))
    columns = list(row(found[TRIALS[0].name]))
    print(f"{weeks} weeks, seeds {first} to {first + weeks - 1},", end=" ")
    print(f"{time.process_time() - begun:.0f} s of CPU time\n")
    print("| rules |", " | ".join(columns), "|")
    print("| --- |", " | ".join("---:" for _ in columns), "|")
    for name, counted in found.items():
        print(f"| {name} |", " | ".join(row(counted).values()), "|")


if __name__ == "__main__":
    main(*(int(word) for word in sys.argv[1:]))
