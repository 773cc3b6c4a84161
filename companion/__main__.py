"""Run the companion with ``python -m companion``."""

from companion.cli import main

if __name__ == "__main__":
    main()
