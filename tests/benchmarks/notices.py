"""How many notices come, and how many were for nothing, by rules. By hand:

    export PYTHONPATH=.:tests
    python tests/benchmarks/notices.py 1000            # before and after: some ten minutes
    python tests/benchmarks/notices.py 1000 0 levers   # each lever alone: half an hour

Prints the table that docs/decisions.md has: a row for each set of rules.
"""

import sys
import time
from collections import Counter

from flown_hours import load
from generated_weeks import generate
from notices_counted import count, live, row
from rules_tried import BEFORE, CHOSEN, TRIALS


def main(weeks: str = "1000", first: str = "0", levers: str = "") -> None:
    """Print the curve as the rows of a table."""
    trials = TRIALS if levers else (BEFORE, CHOSEN)
    library, begun = load(), time.process_time()
    found: dict[str, Counter[str]] = {trial.name: Counter() for trial in trials}
    for seed in range(int(first), int(first) + int(weeks)):
        week = generate(library, seed)
        for trial in trials:
            found[trial.name] += count(week, trial, live(week, trial))
    columns = list(row(found[trials[0].name]))
    took = time.process_time() - begun
    print(f"{weeks} weeks from seed {first} on, {took:.0f} s of CPU time\n")
    print("| rules |", " | ".join(columns), "|")
    print("| --- |", " | ".join("---:" for _ in columns), "|")
    for name, counted in found.items():
        print(f"| {name} |", " | ".join(row(counted).values()), "|")
        print(dict(counted), file=sys.stderr)


if __name__ == "__main__":
    main(*sys.argv[1:])
