"""Wall samples from a file: looked at first, stored when said so, refused line by line."""

import io

import pytest
from hypothesis import given
from hypothesis import strategies as st

from linelog.production.models import WallSample
from linelog.web.models import AuditEvent
from tests.production.walling import TEXTS, fuzz, page, wall

pytestmark = pytest.mark.django_db


HEADING = (
    "machine,date,time,can,height_mm,view,unit,step,wall_12,wall_130,wall_3,wall_430,wall_6,wall_730,wall_9,wall_1030"
)


def line(machine="BM 1", date="2026-03-02", time="14:05", can="", height="60", view="open end", unit="mm", **more):
    values = [f"{um / 1000:.4f}" for um in wall(**{"e": 6.0, **more})]
    return ",".join([machine, date, time, can, height, view, unit, "0.001", *values])


def lines(*rows, heading=HEADING):
    return "\r\n".join([heading, *rows]) + "\r\n"


class TestFromAFile:
    def send(self, quality, content, **more):
        file = io.BytesIO(content if isinstance(content, bytes) else content.encode())
        file.name = "wall.csv"
        return quality.post("/counts/wall/file/", {"file": file, **more})

    def found(self, answer):
        return [(p.line, p.column, p.value, p.why) for p in answer.context["found"].problems]

    def test_looked_at_first_and_stored_when_said_so(self, site, quality):
        text = lines(line(), line(height="110", mean=150.0), line(machine="Line 1/BM 2", view="dome"))
        answer = self.send(quality, text)
        assert answer.status_code == 200
        assert len(answer.context["found"].new) == 2
        assert not WallSample.objects.exists()
        stored = quality.post("/counts/wall/file/", {"content": text, "store": "1", "key": "k"})
        assert stored["Location"] == "/counts/wall/"
        assert WallSample.objects.count() == 2
        assert WallSample.objects.get(machine=site.one).rings.count() == 2
        assert WallSample.objects.get(machine=site.two).rings.get().thin_deg == pytest.approx(135.0, abs=1.0)
        assert AuditEvent.objects.filter(action="read from a file").count() == 2
        assert quality.post("/counts/wall/file/", {"content": text, "store": "1", "key": "k"}).status_code == 422
        assert WallSample.objects.count() == 2

    def test_what_is_stored_already_is_told_from_what_differs(self, site, quality):
        quality.post("/counts/wall/file/", {"content": lines(line()), "store": "1"})
        again = self.send(quality, lines(line(), line(can="2")))
        assert (again.context["found"].same, len(again.context["found"].new)) == (1, 1)
        other = self.send(quality, lines(line(e=5.0)))
        assert "correct it on its own page" in self.found(other)[0][3]

    @pytest.mark.parametrize(
        ("row", "problem"),
        [
            (line(machine="BM 9"), (2, "machine", "BM 9", "no such machine in this plant")),
            (line(machine=""), (2, "machine", "", "empty")),
            (line(date="02.03.2026"), (2, "date", "02.03.2026", "not a date: write 2026-03-31")),
            (line(date="2999-01-01"), (2, "date", "2999-01-01", "a time that has not come yet")),
            (line(time="25:00"), (2, "time", "25:00", "not a time of day: write 14:05")),
            (
                line(date="2026-03-29", time="02:30"),
                (2, "time", "02:30", "the clocks went forward then: there is no such time"),
            ),
            (line(height="-1"), (2, "height_mm", "-1", "not 0 to 400")),
            (line(height="NaN"), (2, "height_mm", "NaN", "not a number")),
            (line(view="side"), (2, "view", "side", "write 'open end' or 'dome', the end you look at")),
            (line(unit="cm"), (2, "unit", "cm", "write mm, um or inch")),
            (line(unit="inch"), (2, "wall_12", "0.1042", "2646.68 µm is no such length: is the unit right?")),
            (line(unit="um"), (2, "wall_12", "0.1042", "0.1042 µm is no such length: is the unit right?")),
            (line() + ",1,2", (2, "", "1,2", "more cells than the heading has")),
            (line().rsplit(",", 5)[0], (2, "wall_…", "3", "fewer than four positions have a wall")),
        ],
    )
    def test_bad_cells_are_named_by_line_column_and_reason(self, site, quality, row, problem):
        answer = self.send(quality, lines(row, line(can="good")))
        assert self.found(answer) == [problem]
        assert problem[3] in page(answer)
        assert len(answer.context["found"].new) == 1

    def test_a_can_with_one_bad_line_is_left_out_whole(self, site, quality):
        answer = self.send(quality, lines(line(height="60"), line(height="x")))
        assert [problem[0] for problem in self.found(answer)] == [2, 3]
        assert not answer.context["found"].new
        assert (
            quality.post("/counts/wall/file/", {"content": lines(line(height="x")), "store": "1"}).status_code == 422
        )

    def test_lines_of_one_can_must_go_together(self, site, quality):
        twice = self.send(quality, lines(line(), line()))
        assert self.found(twice) == [(3, "height_mm", "60", "this can has this height twice")]
        views = self.send(quality, lines(line(), line(height="110", view="dome")))
        assert "must be those of line 2" in self.found(views)[0][3]
        three = self.send(quality, lines(*(line(height=str(h)) for h in (50, 70, 90))))
        assert "at most 2 heights" in self.found(three)[0][3]

    @pytest.mark.parametrize(
        ("content", "sentence"),
        [
            (b"   ", "The file is empty"),
            (b"PK\x03\x04\x00\x00", "This is not a CSV"),
            (b"\xff\xfeabc,d", "not UTF-8"),
            ("hello", "Missing in the first line: machine, date"),
            (lines(line(), heading=HEADING.replace("wall_130", "wall_3")), "stands more than once"),
            (lines(line(), heading=HEADING.replace("wall_130", "wall_13")), "is no clock position"),
            ("machine,date,time,height_mm,view,unit,wall_12,wall_3,wall_6\n", "at least four clock positions"),
            (lines(*[line(can=str(n)) for n in range(1001)]), "more than 1000 lines"),
            (b"a" * 600_000, "more than 500 kB"),
        ],
    )
    def test_a_file_that_is_none_is_refused_in_a_sentence(self, site, quality, content, sentence):
        answer = self.send(quality, content)
        assert answer.status_code == 422
        assert sentence in page(answer)

    def test_no_file_and_no_lines(self, site, quality):
        assert "Choose a file" in page(quality.post("/counts/wall/file/", {}))
        empty = self.send(quality, b"")
        assert (empty.status_code, "0 bytes" in page(empty)) == (422, True)

    def test_semicolons_and_decimal_commas(self, site, quality):
        text = lines(line()).replace(",", ";").replace("0.", "0,")
        assert len(self.send(quality, text).context["found"].new) == 1

    def test_the_template_is_read_back(self, site, quality):
        heading = quality.get("/counts/wall/template.csv").content.decode("utf-8-sig").strip()
        cells = dict(zip(HEADING.split(","), line().split(","), strict=True))
        row = ",".join(cells.get(name, "") for name in heading.split(","))
        assert len(self.send(quality, f"{heading}\n{row}\n").context["found"].new) == 1


@fuzz
@given(rows=st.lists(st.lists(TEXTS, max_size=18), max_size=4), joint=st.sampled_from([",", ";", "\t"]))
def test_whatever_is_pasted_is_answered(site, quality, rows, joint):
    text = lines(*(joint.join(cell.replace("\n", " ") for cell in row) for row in rows)).replace(",", joint)
    answer = quality.post("/counts/wall/file/", {"content": text, "store": "1"})
    assert answer.status_code in {200, 302, 422}
