"""``python -m gaugelink`` is the command line."""

from gaugelink.app.cli import main

main()
