"""``python -m xsect``: the same as the command ``xsect``."""

from xsect.cli import main

if __name__ == "__main__":
    main(prog_name="xsect")
