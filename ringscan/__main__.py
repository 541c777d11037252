"""`python -m ringscan`, where the command is not on the path."""

from ringscan.cli import main

if __name__ == "__main__":
    main()
