"""`python -m dosetrack`: the same as the `dosetrack` command."""

from dosetrack.cli import main

if __name__ == "__main__":
    main()
