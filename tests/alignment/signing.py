"""Signing as a person does: the page first, then what it carries."""

import html
import re

from django.urls import reverse


def carried(page):
    """The hidden fields of the signing form, as a browser sends them; none where the page has no form."""
    form = re.search(r'<form method="post"(?: class="pin-form")?>(.*?)</form>', _main(page), re.DOTALL)
    found = re.findall(r'<input type="hidden" name="([^"]+)" value="([^"]*)"', form[1]) if form else []
    return {name: html.unescape(value) for name, value in found}


def sign(client, visit, **more):
    """Look at what is signed, and sign it."""
    url = reverse("alignment:sign", args=[visit.pk])
    return client.post(url, {**carried(client.get(url)), **more})


def _main(page):
    return page.content.decode().split("<main", 1)[-1]
