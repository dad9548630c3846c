"""`python -m autochain`."""

from autochain.cli.main import main

main()
