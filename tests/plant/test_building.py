import pytest

from linelog.plant.models import Adjuster, Station
from tests import factories

pytestmark = pytest.mark.django_db


def test_a_new_bodymaker_takes_the_template_along_the_ram_in_order():
    machine = factories.machine()
    stations = list(machine.stations.order_by("order"))
    assert stations[0].kind == Station.Kind.REAR_BUSHING
    assert stations[-1].kind == Station.Kind.DOMER
    assert [s.z_mm for s in stations] == sorted(s.z_mm for s in stations)


def test_every_shim_of_the_template_has_the_plants_stock_and_every_screw_a_pitch():
    machine = factories.machine()
    for adjuster in Adjuster.objects.filter(station__machine=machine):
        assert (adjuster.stock is not None) == (adjuster.kind == "shim")
        assert (adjuster.pitch_mm is not None) == (adjuster.kind == "screw")


def test_a_new_redraw_sleeve_has_a_limit_of_squareness_and_a_face_to_sweep():
    # 0.08 to 0.17 mm/m in use: common practice, no source.
    sleeve = factories.machine().stations.get(kind="redraw_sleeve")
    assert 0.08 <= sleeve.tilt_limit_mm_per_m <= 0.17
    assert sleeve.face_radius_mm > 0
