"""``python -m autocast``."""

from autocast.cli import main

if __name__ == "__main__":
    main()
