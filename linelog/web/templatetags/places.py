"""The second menus: the pages of one machine, and the pages of evidence."""

from __future__ import annotations

from typing import Any

from django import template

from linelog.web.context import EVIDENCE_MENU, MACHINE_MENU, places

register = template.Library()


@register.inclusion_tag("web/_places.html", takes_context=True)
def machine_menu(context: dict[str, Any], machine: Any) -> dict[str, Any]:
    """Show the pages of a machine."""
    request = context["request"]
    entries = places(MACHINE_MENU, request.user, request.path, machine.pk)
    return {"entries": entries, "label": f"Pages of {machine}"}


@register.inclusion_tag("web/_places.html", takes_context=True)
def evidence_menu(context: dict[str, Any]) -> dict[str, Any]:
    """Show the pages of evidence."""
    request = context["request"]
    return {"entries": places(EVIDENCE_MENU, request.user, request.path), "label": "Pages of evidence"}
