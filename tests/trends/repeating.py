"""What the tests of repeat problems share: visits that found a station off, the refit, and a page's text."""

import datetime as dt
import math

from django.urls import reverse

from linelog.plant.models import Plant
from linelog.trends.repeats.refit import refit_repeats
from tests import factories
from tests.trends import invented

NOW, TODAY = factories.NOW, factories.NOW.date()


def toward(degrees, size):
    return size * math.sin(math.radians(degrees)), size * math.cos(math.radians(degrees))


def visits(machine, by, found, *, kind="domer", every=30, counts=True, **more):
    """Signed visits in which a station was found at these offsets (um), and left at zero; the last a day ago."""
    station = machine.stations.get(kind=kind)
    made, rows = [], []
    for number, xy in enumerate(found):
        at = NOW - dt.timedelta(days=1 + every * (len(found) - 1 - number))
        visit = invented.signed_visit(machine, by, at, **{name: values[number] for name, values in more.items()})
        made.append(visit)
        rows.append(invented.result(visit, station, "as_found", xy))
        rows.append(invented.result(visit, station, "as_left", (0.5, 0.0)))
    invented.store(rows)
    if counts:
        invented.counts(machine, every * len(found) + 10, until=TODAY)
    return made


def refit(person):
    refit_repeats(Plant.objects.get(pk=person.plant_id), NOW)


def page(client, name, *args, status=200):
    answer = client.get(reverse(name, args=args))
    assert answer.status_code == status
    return answer.content.decode()


SETTLES = [(1.0, 1.0), toward(200, 60), toward(205, 70), toward(195, 80), toward(200, 65), toward(190, 75)]
