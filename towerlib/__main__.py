"""``python -m towerlib``: the command without an installed script."""

from towerlib.cli import main

if __name__ == "__main__":
    main()
