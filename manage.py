#!/usr/bin/env python3
"""Django's command line for this project."""

from linelog.__main__ import main

if __name__ == "__main__":
    main()
