"""Form widgets of our own."""

from __future__ import annotations

from typing import Any

from django import forms
from django.forms.utils import flatatt
from django.utils.html import format_html, format_html_join
from django.utils.safestring import SafeString


class LongSelect(forms.Select):
    """A select of hundreds of choices, without groups: its options are written at once, not by a template each."""

    def render(self, name: str, value: Any, attrs: Any = None, renderer: Any = None) -> SafeString:
        """Return the select with its options."""
        chosen = set(self.format_value(value))
        options = [
            (key, " selected" if key in chosen else "", label)
            for key, label in (("" if key is None else str(key), label) for key, label in self.choices)
        ]
        written = format_html_join("", '<option value="{}"{}>{}</option>', options)
        return format_html("<select{}>{}</select>", flatatt(self.build_attrs({"name": name}, attrs)), written)
