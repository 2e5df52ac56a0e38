"""`python -m mountgen` is the same command as `mountgen`."""

from mountgen.cli import run

if __name__ == "__main__":
    run()
