"""Search: by name, by mark on a day, by serial; and the labels that lead to a machine."""

import datetime as dt
import re
from html import unescape
from urllib.parse import unquote

import pytest
import segno

from linelog.plant.models import Fitting, MarkAssignment, ToolingSet, ToolPart
from linelog.trends.queries.find import find
from tests import factories

pytestmark = pytest.mark.django_db
TODAY = factories.NOW.date()


@pytest.fixture
def line():
    return factories.line()


@pytest.fixture
def person(line):
    return factories.person("mechanic", line.plant)


def assign(machine, mark, starts, ends=None):
    return MarkAssignment.objects.create(machine=machine, mark=mark, starts_on=starts, ends_on=ends)


def day(text):
    return dt.date.fromisoformat(text)


def test_complaints_and_what_is_written_of_findings_are_found_by_their_words(line):
    quality = factories.person("quality", line.plant)
    said = {"complaint": "C-2026-041", "customer_reference": "QN 88-1203", "containment": "Two pallets held"}
    complained = factories.finding(line.plant, quality, note="Cans rock on the conveyor.", **said)
    factories.finding(line.plant, quality, note="Scratched.")
    elsewhere = factories.plant()
    factories.finding(elsewhere, factories.person("quality", elsewhere), **said)
    for typed in ("C-2026-041", "2026-04", "qn 88-1203", "pallets", "ROCK on"):
        assert [row.finding for row in find(quality, typed, TODAY).findings] == [complained], typed
    assert not find(quality, "ca", TODAY).findings, "two letters stand in most texts"


class TestFind:
    def test_a_name_finds_machines_and_the_whole_name_offers_one_first(self, person, line):
        made = {name: factories.machine(line, name=name) for name in ("BM 1", "BM 12", "Trimmer")}
        found = find(person, "bm 1", TODAY)
        assert [machine.name for machine in found.machines] == ["BM 1", "BM 12"]
        assert found.first == made["BM 1"]
        assert find(person, "bm", TODAY).first is None

    def test_a_mark_finds_the_machine_that_bears_it_on_the_day(self, person, line):
        one, other = factories.machine(line, name="BM 3"), factories.machine(line, name="BM 5")
        assign(one, "K4", day("2026-01-01"), day("2026-03-31"))
        assign(other, "K4", day("2026-04-01"))
        now, then = find(person, "k4", day("2026-06-15")), find(person, "K4", day("2026-03-31"))
        assert (now.first, then.first) == (other, one)
        assert now.marks[0].sentence == "Mark K4 is on BM 5 on 2026-06-15, since 2026-04-01."
        assert [row.machine.name for row in now.marks[0].history] == ["BM 5", "BM 3"]
        assert not now.marks[0].warning

    def test_a_mark_on_two_machines_that_day_is_said_so_and_neither_is_offered_first(self, person, line):
        one, other = factories.machine(line, name="BM 3"), factories.machine(line, name="BM 5")
        assign(one, "4", day("2026-01-01"))
        assign(other, "4", day("2026-06-01"))
        found = find(person, "4", TODAY)
        assert found.first is None
        assert found.marks[0].warning
        assert (
            "is on 2 machines on 2026-06-15: BM 5 and BM 3. It does not tell them apart." in found.marks[0].sentence
        )
        before = find(person, "4", day("2026-05-01")).marks[0]
        assert "From 2026-06-01 on it was on both BM 5 and BM 3." in before.sentence
        assert before.warning

    def test_a_mark_on_no_machine_that_day_is_said_so(self, person, line):
        assign(factories.machine(line), "4", day("2026-01-01"), day("2026-02-01"))
        found = find(person, "4", TODAY)
        assert found.first is None
        assert "on no machine on 2026-06-15" in found.marks[0].sentence

    def test_a_mark_is_a_whole_word(self, person, line):
        assign(factories.machine(line, name="BM x"), "14", day("2026-01-01"))
        assert find(person, "4", TODAY).marks == ()

    def test_a_serial_finds_its_set_and_where_it_is(self, person, line):
        machine = factories.machine(line, name="BM 3")
        tools = ToolingSet.objects.create(plant=line.plant, name="Set A")
        ToolPart.objects.create(tooling_set=tools, kind="punch", serial="P-1077", diameter_mm=66.0)
        Fitting.objects.create(tooling_set=tools, machine=machine, fitted_at=factories.NOW)
        for typed in ("1077", "set a"):
            (found,) = find(person, typed, TODAY).sets
            assert found.fitted.machine == machine
        assert find(person, "1077", TODAY).sets[0].serials == ("Punch P-1077",)

    def test_nothing_of_another_plant_is_found(self, person):
        machine = factories.machine(name="Hidden 1", mark="Q")
        tools = ToolingSet.objects.create(plant=machine.line.plant, name="Hidden set")
        ToolPart.objects.create(tooling_set=tools, kind="punch", serial="Hidden-9", diameter_mm=66.0)
        assert find(person, "hidden", TODAY).nothing
        assert find(person, "Q", TODAY).nothing


class TestPage:
    def test_it_answers_as_one_types(self, signed_in, person, line):
        factories.machine(line, name="BM 3")
        client = signed_in(person)
        answer = client.get("/find/?q=BM 3", headers={"HX-Request": "true"})
        text = answer.content.decode()
        assert "<html" not in text
        assert text.index("button main big") < text.index("Machines")
        assert "<html" in client.get("/find/?q=BM 3").content.decode()

    @pytest.mark.parametrize(
        ("query", "status"), [("", 200), ("?q=zzz", 200), ("?q=1&on=nonsense", 422), (f"?q={'x' * 50}", 422)]
    )
    def test_odd_questions_get_an_answer(self, signed_in, person, query, status):
        answer = signed_in(person).get(f"/find/{query}")
        assert answer.status_code == status
        if query == "?q=zzz":
            assert "Nothing here answers to" in answer.content.decode()

    def test_a_zero_byte_is_refused_and_no_error(self, signed_in, person):
        assert signed_in(person).get("/find/?q=%00").status_code == 422


class TestLabels:
    def test_each_machine_of_the_line_has_a_code_that_opens_it(self, signed_in, person, line):
        machine = factories.machine(line, name="BM <3>", mark="7")
        other = factories.machine(factories.line(line.plant), name="BM 99")
        answer = signed_in(person).get(f"/labels/{line.pk}/", headers={"Host": "localhost:8000"})
        text = answer.content.decode()
        address = f"http://localhost:8000/m/{machine.pk}/"
        assert address in text
        assert "BM &lt;3&gt;" in text
        assert "Mark 7" in text
        assert other.name not in text
        picture = unquote(unescape(re.search(r'<img src="data:image/svg\+xml[^,]*,([^"]+)"', text)[1]))
        drawn = re.search(r"""class=["']qrline["'][^>]* d=["']([^"']+)["']""", picture)[1]
        expected = segno.make(address, error="q", micro=False).svg_inline(omitsize=True, border=4)
        assert drawn in expected, "the code is that of the address that is printed beside it"
        assert "style=" not in text

    def test_a_local_address_is_warned_of(self, signed_in, person, line):
        factories.machine(line)
        assert (
            "this very computer" in signed_in(person).get("/labels/", headers={"Host": "localhost"}).content.decode()
        )

    def test_another_plants_line_is_not_there(self, signed_in, person):
        assert signed_in(person).get(f"/labels/{factories.line().pk}/").status_code == 404

    def test_a_plant_without_lines_has_a_page(self, signed_in):
        assert signed_in(factories.person("viewer")).get("/labels/").status_code == 200
