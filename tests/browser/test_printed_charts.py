"""Charts on paper, in the PDF that the browser itself prints: nothing of a chart beyond the edge of A4 or Letter.

The mark farthest to the right of every chart is given a colour of its own; the PDF is then searched for it. Sizes of
paper: ISO 216 (A4, 210 mm) and ANSI/ASME Y14.1 (Letter, 8.5 in); a PDF's unit is 1/72 in (ISO 32000-1, 8.3.2.3).
"""

import datetime as dt
import io

import numpy as np
import pytest
from django.utils import timezone
from pypdf import PageObject, PdfReader
from pypdf.generic import ContentStream

from linelog.production.made import Told
from linelog.trends.ranking.refit import refit_ranking
from tests import factories
from tests.trends import invented
from tests.trends.test_wall_page import sampled

MM, INCH = 72.0 / 25.4, 72.0
PAPERS = {"A4": 210.0 * MM, "Letter": 8.5 * INCH}
LEAST_MARGIN = 5.0 * MM
#: Lays a sheet of the colour (1, number, 77) of 255 over the mark farthest right in each chart, be it text, point or
#: bar; says whether the mark ends within its own drawing.
MARK_THEM = """() => [...document.querySelectorAll('[data-figure]')].map((box, number) => {
    const drawn = box.querySelector('.main-svg').getBoundingClientRect();
    const marks = [...box.querySelectorAll('.points path, .point path, .js-line, .errorbar path, text')];
    const seen = marks.map(one => [one, one.getBoundingClientRect()]).filter(([, at]) => at.width + at.height > 0);
    const [far, at] = seen.reduce((a, b) => (b[1].right > a[1].right ? b : a));
    const over = document.createElementNS('http://www.w3.org/2000/svg', 'rect'), place = far.getBBox();
    for (const side of ['x', 'y']) over.setAttribute(side, place[side]);
    for (const side of ['width', 'height']) over.setAttribute(side, Math.max(place[side], 1)); // of a level line too
    over.setAttribute('transform', far.getAttribute('transform') ?? '');
    over.style.cssText = `fill: rgb(1, ${number + 1}, 77); opacity: 1; fill-opacity: 1`;
    far.parentNode.append(over);
    return [box.dataset.figure, number + 1, at.right <= drawn.right + 0.5];
})"""


@pytest.fixture
def machine(transactional_db):
    plant = factories.plant(name="Test works")
    factories.finding_lists(plant)
    line, by = factories.line(plant), factories.person("manager", plant)
    machines = [factories.machine(line, mark=str(17 + number), name=f"BM {17 + number}") for number in range(4)]
    now = timezone.now()
    for number, made in enumerate(machines):
        invented.counts(made, 300, until=factories.counted_today(), seed=number)
    first = machines[0]
    invented.history(first, by, 8, until=now, every=30)
    for days in (90, 60, 30):
        sampled(first, by, now - dt.timedelta(days=days), (6.0, 2.0))
        made_on = factories.NOW.date() - dt.timedelta(days=days)
        factories.finding(plant, by, told=Told(factories.NOW.date(), made_on), mark="17")
    refit_ranking(plant, now)
    return first


class Sheet:
    """What is filled on a page of a PDF: how far right each colour reaches, in points, from the page's left edge.

    Follows the operators of its content stream (ISO 32000-1, annex A) as far as places and fills go.
    """

    def __init__(self, page: PageObject, reader: PdfReader) -> None:
        self.reader = reader
        self.found: dict[tuple[int, ...], list[float]] = {}
        self.follow(page.get_contents(), page.get("/Resources", {}), np.eye(3))

    def follow(self, contents, resources, at) -> None:
        kept, path, colour = [], [], (0, 0, 0)
        for words, operator in ContentStream(contents, self.reader).operations:
            match operator.decode():
                case "q":
                    kept.append((at, colour))
                case "Q":
                    at, colour = kept.pop()
                case "cm":
                    at = matrix(words) @ at
                case "rg":
                    colour = tuple(round(255 * float(word)) for word in words)
                case "m" | "l" | "c" | "v" | "y" | "re" as name:
                    path += corners(name, [float(word) for word in words])
                case "f" | "F" | "f*" | "B" | "B*" | "b" | "b*" | "S" | "s" | "n" as name:
                    self.paint(name, colour, path, at)
                    path = []
                case "Do":
                    self.inside(resources["/XObject"][words[0]].get_object(), resources, at)

    def paint(self, name, colour, path, at) -> None:
        if path and name[0] in "fFbB":
            ends = np.column_stack([np.array(path), np.ones(len(path))]) @ at
            self.found.setdefault(colour, []).extend(ends[:, 0].tolist())

    def inside(self, one, resources, at) -> None:
        if one.get("/Subtype") == "/Form":
            self.follow(one, one.get("/Resources", resources), matrix(one.get("/Matrix", (1, 0, 0, 1, 0, 0))) @ at)


def matrix(numbers) -> np.ndarray:
    a, b, c, d, e, f = (float(number) for number in numbers)
    return np.array([[a, b, 0.0], [c, d, 0.0], [e, f, 1.0]])


def corners(name: str, numbers: list[float]) -> list[tuple[float, float]]:
    if name == "re":
        x, y, wide, high = numbers
        return [(x, y), (x + wide, y + high)]
    return list(zip(numbers[::2], numbers[1::2], strict=True))


def print_and_look(page, paper) -> list[tuple[str, list[float]]]:
    """Print as the reader does; return for each chart where the mark farthest right in it came to stand on paper."""
    boxes = page.locator("[data-figure]").count()
    page.wait_for_function("() => [...document.querySelectorAll('[data-figure]')].every(box => box.drawn)")
    page.evaluate(f"window.addEventListener('beforeprint', () => {{ window.marked = ({MARK_THEM})(); }})")
    reader = PdfReader(io.BytesIO(page.pdf(format=paper, prefer_css_page_size=False)))
    marked = page.evaluate("window.marked")
    assert len(marked) == boxes > 0
    assert [name for name, _, inside in marked if not inside] == [], "cut off by their own drawing"
    seen: dict[tuple[int, ...], list[float]] = {}
    for sheet in reader.pages:
        assert float(sheet.mediabox.width) == pytest.approx(PAPERS[paper], abs=1.0)
        for colour, places in Sheet(sheet, reader).found.items():
            seen.setdefault(colour, []).extend(places)
    return [(name, seen.get((1, number, 77), [])) for name, number, _ in marked]


@pytest.mark.parametrize("paper", PAPERS)
def test_the_mark_farthest_right_in_every_chart_is_on_the_paper(page, sign_in, at, machine, paper):
    sign_in(factories.person("manager", machine.line.plant))
    of_machine = f"/machines/{machine.pk}/"
    charts = 0
    for path in (
        of_machine,
        f"{of_machine}signals/",
        f"{of_machine}wall/",
        "/evidence/ranking/",
        "/evidence/pareto/",
    ):
        at(path)
        for name, places in print_and_look(page, paper):
            charts += 1
            assert places, f"{path} {name}: its last mark is not on the paper"
            assert max(places) <= PAPERS[paper] - LEAST_MARGIN, f"{path} {name}"
            assert min(places) >= LEAST_MARGIN, f"{path} {name}"
    assert charts >= 8
