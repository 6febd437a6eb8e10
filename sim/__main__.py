"""Run the command line as `python -m sim`."""

from sim.cli import main

if __name__ == "__main__":
    main()
