"""Run the command line: ``python -m viewer``."""

from viewer.cli import main

main()
