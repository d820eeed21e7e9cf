"""Words that the tests of the set-up pages share."""

from html import unescape

from django.urls import reverse

from linelog.plant.forms.machine import StationForm
from linelog.plant.models import Shift, Station
from tests import factories


def at(name, *args):
    return reverse(f"plant:{name}", args=args)


def said(response):
    """The page as text, its signs as a reader sees them."""
    return unescape(response.content.decode())


def typed(form_class, row, **changes):
    """What the form would send if a person changed only these fields."""
    sent = {name: value for name, value in form_class.initial_of(row).items() if value is not None}
    return {**{name: getattr(value, "pk", value) for name, value in sent.items()}, **changes}


def station_typed(station: Station, **changes):
    """A station form as sent, its limit in mm and given as an offset."""
    sent = typed(StationForm, station, limit_um=station.limit_um / 1000, limit_um_is="offset")
    return {**sent, **changes}


def shift_of(plant) -> Shift:
    return Shift.objects.filter(plant=plant).first()


def manager_of(plant, **more):
    return factories.person("manager", plant, **more)
