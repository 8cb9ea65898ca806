"""``python -m autocast``, and the command of that name."""

from __future__ import annotations


def main() -> None:
    """Run the command line; an interrupt ends it quietly, also while it starts."""
    try:
        from autocast.cli import main as run

        run()
    except KeyboardInterrupt:
        raise SystemExit(130) from None


if __name__ == "__main__":
    main()
