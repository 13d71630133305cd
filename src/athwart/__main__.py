"""``python -m athwart``."""

from athwart.cli import main

if __name__ == "__main__":
    main()
