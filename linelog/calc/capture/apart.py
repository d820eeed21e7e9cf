"""What is done to a capture in a process of its own, all libraries loaded before its memory is bounded."""

from linelog.calc import libraries
from linelog.calc.capture.analyse import analyse_path
from linelog.calc.capture.reader import check_columns

__all__ = ["analyse_path", "check_columns"]

libraries.load()
