"""A server that has warmed up has every page's code at hand, and its collector leaves what is loaded alone."""

import gc
import sys

from linelog.web.warm import warm


def test_what_is_loaded_is_left_alone_and_later_garbage_is_not():
    before = gc.get_freeze_count()
    try:
        warm()
        assert gc.get_freeze_count() > before + 50_000
        assert "linelog.trends.views.evidence" in sys.modules
        assert all(one is not sys.modules for one in gc.get_objects())
        later = [[]]
        later[0].append(later)
        assert any(one is later for one in gc.get_objects())
    finally:
        gc.unfreeze()
