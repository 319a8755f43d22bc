"""``python -m bladewatch``."""

from bladewatch.cli import main

main()
