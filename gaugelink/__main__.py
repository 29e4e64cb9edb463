"""The program's start: ``gaugelink``, or ``python -m gaugelink``."""

import sys


def main() -> None:
    """Run the command line. Ctrl-C ends it without a word, also while it is still being loaded."""
    try:
        from gaugelink.app.cli import main as run

        run()
    except KeyboardInterrupt:
        # 128 and the signal's number, as shells have it.
        sys.exit(130)


if __name__ == "__main__":
    main()
