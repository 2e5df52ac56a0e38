"""`python -m mountgen` is the same command as `mountgen`."""

from mountgen.cli import main

if __name__ == "__main__":
    main()
