"""``python -m windowwatch``."""

from windowwatch.cli.main import main

if __name__ == "__main__":
    main(prog_name="windowwatch")
