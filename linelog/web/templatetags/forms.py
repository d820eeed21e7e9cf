"""What every form carries: the token against other sites, and the person it was made for."""

from __future__ import annotations

from typing import Any

from django import template
from django.template.base import Parser, Token
from django.template.defaulttags import CsrfTokenNode
from django.utils.html import format_html
from django.utils.safestring import SafeString

from linelog.web import made_for

register = template.Library()


class FormMarks(CsrfTokenNode):
    """The token, and beside it for whom the form was made."""

    def render(self, context: Any) -> SafeString:
        """Return both hidden fields."""
        person = made_for.mark_of(getattr(context.get("request"), "user", None))
        hidden = format_html('<input type="hidden" name="{}" value="{}">', made_for.FIELD, person)
        return format_html("{}{}", super().render(context), hidden)


@register.tag
def csrf_token(parser: Parser, token: Token) -> FormMarks:
    """Take the place of Django's own tag, so that no form can leave the person out."""
    return FormMarks()


@register.simple_tag(takes_context=True)
def made_for_person(context: dict[str, Any]) -> str:
    """Return the mark of the person a page is made for, for the headers of its requests."""
    return made_for.mark_of(getattr(context.get("request"), "user", None))
