"""The second menus: the pages of one machine, and the pages of evidence."""

from __future__ import annotations

from typing import Any

from django import template

from linelog.web.context import EVIDENCE_MENU, groups, places

register = template.Library()


@register.inclusion_tag("web/_groups.html", takes_context=True)
def machine_menu(context: dict[str, Any], machine: Any) -> dict[str, Any]:
    """Show the pages of a machine, by the question they answer."""
    request = context["request"]
    return {"groups": groups(request.user, request.path, machine.pk), "label": f"Pages of {machine}"}


@register.inclusion_tag("web/_places.html", takes_context=True)
def evidence_menu(context: dict[str, Any]) -> dict[str, Any]:
    """Show the pages of evidence."""
    request = context["request"]
    return {"entries": places(EVIDENCE_MENU, request.user, request.path), "label": "Pages of evidence"}
