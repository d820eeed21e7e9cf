"""A visit whose machine is not locked out yet, and how it is locked out and given back."""

from django.utils import timezone

from tests import factories
from tests.alignment.helpers import address

RETURNED = {"returned_by": "A. Mechanic", "tools_counted": "on", "guards_closed": "on", "people_clear": "on"}


def not_locked_out(signed_in):
    """A mechanic with an open visit that was never locked out, and the domer of its machine."""
    machine = factories.machine()
    mechanic = factories.person("mechanic", machine.line.plant)
    visit = factories.visit(machine, mechanic, locked_out=False, opened_at=timezone.now())
    return signed_in(mechanic), visit, machine.stations.get(kind="domer"), mechanic


def verify(client, visit, headers=None, **more):
    form = {"lockout_verified_by": "A. Mechanic", "lockout_tried": "on", "lockout_lock": "14", **more}
    return client.post(address("lockout", visit), form, headers=headers or {})
