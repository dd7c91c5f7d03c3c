"""`python -m unhurried` is the same as `unhurried`."""

from unhurried.cli import main

if __name__ == "__main__":
    main()
