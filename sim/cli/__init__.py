"""The command line: parse, call the library, print; every fault is one line.

    app       the commands and their exit codes
    papers    plan, handout, finish, calibrate
    lighting  meter, balance, compare
    checks    latitude, checks
    room      open
    sweep     sweep
    cache     cache
    progress  what is shown while a preview is made
    tables    readings on the terminal

Exit codes stand in `app`.
"""

from sim.cli import papers
from sim.cli.app import main

__all__ = ["main", "papers"]
