"""`python -m autochain`."""

from autochain.cli.main import main

if __name__ == "__main__":  # processes that help this one load it, too
    main()
