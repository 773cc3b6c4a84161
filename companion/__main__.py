"""Run the companion with ``python -m companion``, or as one file that brings its Python along."""

from companion.core.one_file import begin, is_one_file

if __name__ == "__main__":
    if is_one_file():
        begin()

    from companion.cli import main

    main()
