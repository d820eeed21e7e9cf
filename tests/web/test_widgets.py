"""A long select reads as Django's own one does."""

import re

import pytest
from django import forms

from linelog.web.widgets import LongSelect

CHOICES = [("", "All sets"), (1, "Set <1>"), (2, 'Set "2"'), (3, "Set 3")]


def parts(html):
    return re.findall(r"<option[^>]*>[^<]*</option>", re.sub(r">\s+", ">", html)), set(
        re.findall(r'\w+="[^"]*"', html)
    )


@pytest.mark.parametrize("value", [None, "", "2", 2, "9"])
def test_it_writes_the_options_of_djangos_select(value):
    attrs = {"id": "id_set", "required": True}
    own = LongSelect(choices=CHOICES).render("set", value, attrs)
    assert parts(own) == parts(forms.Select(choices=CHOICES).render("set", value, attrs))
    assert own.startswith("<select ")
    assert " required" in own
    assert "<1>" not in own
