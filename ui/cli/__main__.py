"""``python -m ui.cli``: the command where the installed script is not on the path."""

from ui.cli.main import main

main()
