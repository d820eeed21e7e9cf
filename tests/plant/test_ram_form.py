"""The ram's form: what it stores, what makes no beam and at which field that is said, and what a beam is made of."""

import pytest
from django.db import IntegrityError, transaction

from linelog.calc.droop import Section, Side, hang
from linelog.plant.forms.ram import RamForm
from linelog.plant.models import Machine, RamSection
from linelog.plant.ram import ram_record, seen_at
from linelog.web.models import AuditEvent
from tests import factories
from tests.plant.setting_up import at, manager_of, said, typed

pytestmark = pytest.mark.django_db

LENGTHS = ("bushing_clearance_um", "rear_clearance_um", "clearance_within_um")
STEPS = (Section(600, 63.5, 31.75, 7850, 205), Section(500, 60, 30, 7850, 205), Section(180, 57, 25, 14_500, 560))


@pytest.fixture
def machine():
    return factories.machine(factories.line(), name="BM 03")


@pytest.fixture
def client(signed_in, machine):
    return signed_in(manager_of(machine.line.plant))


def sent(machine, *sections, **changes):
    """The ram's form as a browser sends it."""
    fields = typed(RamForm, machine)
    fields |= {name: fields[name] / 1000 for name in LENGTHS if name in fields}
    rows = {"sections-TOTAL_FORMS": len(sections) + 1, "sections-INITIAL_FORMS": 0}
    for place, section in enumerate(sections):
        rows |= {f"sections-{place}-{name}": getattr(section, name) for name in Section.__dataclass_fields__}
    return {**fields, **rows, **changes}


def record(machine):
    machine.refresh_from_db()
    return ram_record(machine, list(machine.ram_sections.all()))


def test_a_stepped_ram_is_stored_and_hangs_as_its_sections_say(client, machine):
    response = client.post(at("ram", machine.pk), sent(machine, *STEPS, tip_mass_kg="0.5", rear_clearance_um="0.05"))
    assert response.status_code == 302, said(response)
    found = record(machine).hanging
    assert found.ram.sections == STEPS
    assert (found.ram.rear.clearance_um, found.ram.front.clearance_um) == (50.0, 40.0)
    assert [(mass.kg, mass.length_mm) for mass in found.ram.masses] == [(4.0, 150.0), (0.5, 0.0)]
    by_hand = hang(found.ram, [700.0], [650.0])
    assert seen_at(found, 700.0, 650.0).deflection_um == by_hand.deflection_um[0, 0] < -50.0
    assert by_hand.side.tolist() == [[Side.TOP, Side.BOTTOM]]
    assert (machine.version, AuditEvent.objects.get(action="changed ram sections").object_label) == (2, "BM 03")
    page = client.get(at("machine", machine.pk))
    assert "180 long, 57 outside, 25 bore" in said(page)


def test_a_plain_ram_is_one_tube_over_span_overhang_and_what_lies_behind(machine):
    found = record(machine).hanging
    assert found.ram.sections == (Section(480.0 + 700.0 + 100.0, 60.0, 30.0, 7850.0, 205.0),)
    assert (found.back_mm, found.forward_mm, found.travel_mm(650.0)) == (90.0, 700.0, 560.0)
    assert found.clearance_u_um == pytest.approx(5.0 / 3**0.5)  # within +-5 um, rectangular: JCGM 100:2008, 4.3.7


def test_what_is_not_on_record_is_named_or_said_to_be_taken_as_none(machine):
    Machine.objects.filter(pk=machine.pk).update(punch_mass_kg=None, bushing_clearance_um=None)
    assert record(machine).hanging is not None
    assert len(record(machine).assumed) == 2
    Machine.objects.filter(pk=machine.pk).update(ram_outside_mm=None, bushing_span_mm=None)
    assert record(machine).hanging is None
    assert record(machine).lacking == ("the span between the bushings", "the ram's outside diameter")


@pytest.mark.parametrize(
    ("changes", "field", "sentence"),
    [
        ({"ram_bore_mm": "60"}, "ram_bore_mm", "The bore must be smaller than the ram's outside of 60 mm"),
        ({"bushing_span_mm": "0"}, "bushing_span_mm", "between 1 and 5000 mm"),
        ({"overhang_mm": "600"}, "overhang_mm", "10 mm behind the front bushing"),
        ({"overhang_mm": "infinity"}, "overhang_mm", "not a number"),
        ({"overhang_mm": "28"}, "overhang_mm", "is it in inches?"),
        ({"punch_length_mm": "1900"}, "punch_length_mm", "must lie on the ram"),
        ({"bushing_clearance_um": "-0.04"}, "bushing_clearance_um", "can't be negative"),
        ({"film_n_per_um": "0"}, "film_n_per_um", "between 0.001 and"),
        ({"ram_modulus_gpa": ""}, "ram_modulus_gpa", "required"),
        ({"bending_within_percent": "80"}, "bending_within_percent", "between 0 and 50"),
    ],
)
def test_what_gives_no_beam_is_told_at_its_field_and_nothing_is_stored(client, machine, changes, field, sentence):
    response = client.post(at("ram", machine.pk), sent(machine, **changes))
    assert response.status_code == 422
    assert any(sentence in error for error in response.context["form"].errors[field]), response.context["form"].errors
    assert (record(machine).hanging is not None, machine.version) == (True, 1)


@pytest.mark.parametrize(
    ("sections", "sentence"),
    [
        ((Section(900, 60, 30, 7850, 205),), "add up to 900 mm: at full forward the ram needs 1180 mm"),
        ((Section(1300, 60, 60, 7850, 205),), "The bore must be smaller than the section's outside of 60 mm"),
        ((Section("", 60, 30, 7850, 205),), "needs a length and an outside diameter"),
        ((Section("nan", 60, 30, 7850, 205),), "not a number"),
        ((Section(1300, 60, 30, 7850, 0),), "between 1 and 1000"),
    ],
)
def test_sections_that_make_no_ram_are_refused(client, machine, sections, sentence):
    response = client.post(at("ram", machine.pk), sent(machine, *sections))
    assert (response.status_code, sentence in said(response)) == (422, True)
    assert not RamSection.objects.exists()


def test_one_more_section_is_only_a_row_to_fill_in(client, machine):
    response = client.post(at("ram", machine.pk), sent(machine, add_row="1"), headers={"hx-request": "true"})
    assert response.status_code == 200
    assert 'name="sections-1-length_mm"' in said(response)
    assert not RamSection.objects.exists()


def test_a_form_that_lies_about_its_rows_is_refused_without_trouble(client, machine):
    for total in ("", "x", "99999", "1e9"):
        response = client.post(at("ram", machine.pk), sent(machine, **{"sections-TOTAL_FORMS": total}))
        assert response.status_code == 422, total


def test_what_somebody_else_changed_meanwhile_is_shown_beside_ones_own(client, machine):
    typed_before = sent(machine, punch_mass_kg="5")
    Machine.objects.filter(pk=machine.pk).update(version=2, punch_mass_kg=4.5)
    response = client.post(at("ram", machine.pk), typed_before)
    assert response.status_code == 409
    assert ["4.5", "5"] in [[one.stored, one.typed] for one in response.context["form"].differences]


def test_taking_the_sections_out_makes_it_a_plain_ram_again(client, machine):
    client.post(at("ram", machine.pk), sent(machine, *STEPS))
    machine.refresh_from_db()
    out = {f"sections-{place}-DELETE": "on" for place in range(3)}
    client.post(at("ram", machine.pk), sent(machine, *STEPS, **out))
    assert not RamSection.objects.exists()


def test_a_machine_like_another_has_its_ram(client, machine):
    client.post(at("ram", machine.pk), sent(machine, *STEPS, film_n_per_um="80"))
    client.post(at("machine_copy", machine.pk), {"line": machine.line_id, "name": "BM 09"})
    assert record(Machine.objects.get(name="BM 09")).hanging == record(machine).hanging


def test_the_database_itself_refuses_a_section_without_a_wall(machine):
    with pytest.raises(IntegrityError), transaction.atomic():
        RamSection.objects.create(machine=machine, order=1, length_mm=100.0, outside_mm=50.0, bore_mm=50.0)


def test_moves_for_the_running_value_are_turned_on_by_the_manager_alone_and_it_is_in_the_history(
    client, signed_in, machine
):
    assert machine.moves_for_running is False
    response = client.post(
        at("moves_for", machine.pk), {"running": "1", "version": 1, "back": "https://evil.example/"}
    )
    assert response.url == at("machine", machine.pk)
    machine.refresh_from_db()
    assert (machine.moves_for_running, machine.version) == (True, 2)
    event = AuditEvent.objects.get(action="set moves for the running value")
    assert event.after["moves_for_running"] is True
    assert client.post(at("moves_for", machine.pk), {"running": "0", "version": 1}).status_code == 409
    assert client.post(at("moves_for", machine.pk), {"running": "2", "version": 2}).status_code == 422
    mechanic = factories.person("mechanic", machine.line.plant)
    assert signed_in(mechanic).post(at("moves_for", machine.pk), {"running": "0", "version": 2}).status_code == 403
    machine.refresh_from_db()
    assert machine.moves_for_running is True
