"""Where the program starts: answers Ctrl-C even while the rest is being loaded."""

import sys


def main() -> None:
    """Run the command line."""
    try:
        from barpath.cli.commands import main as run
    except KeyboardInterrupt:
        from barpath.errors import STOPPED

        sys.stderr.write(f"barpath: {STOPPED}\n")
        sys.exit(130)
    run()


if __name__ == "__main__":
    main()
