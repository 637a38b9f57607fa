"""How many notices come, and how many were for nothing, by rules. By hand:

    export PYTHONPATH=.:tests
    python tests/benchmarks/notices.py 1000

A thousand weeks take about half an hour. Printed is the table that docs/decisions.md has: a row
for each set of rules that was tried.
"""

import sys
import time
from collections import Counter

from flown_hours import load
from generated_weeks import generate
from notices_counted import count, live, row
from rules_tried import TRIALS


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
