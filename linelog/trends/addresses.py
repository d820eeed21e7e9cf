"""Addresses that a page of the trends asks for many times: worked out once each."""

from __future__ import annotations

from functools import lru_cache

from django.urls import reverse


@lru_cache(maxsize=4096)
def visit_url(visit_id: int) -> str:
    """Return where a visit is read and gone on with."""
    return reverse("alignment:visit", args=[visit_id])


@lru_cache(maxsize=4096)
def wall_url(sample_id: int) -> str:
    """Return where a wall sample is."""
    return reverse("production:wall_sample", args=[sample_id])


@lru_cache(maxsize=4096)
def machine_findings_url(machine_id: int) -> str:
    """Return where a machine's findings are."""
    return reverse("trends:machine_findings", args=[machine_id])


@lru_cache(maxsize=4096)
def machine_url(machine_id: int) -> str:
    """Return where a machine's page is."""
    return reverse("trends:machine", args=[machine_id])
