"""``python -m siteplan``: the same as the command ``siteplan``."""

from siteplan.cli import main

if __name__ == "__main__":
    main()
