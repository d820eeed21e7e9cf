"""How likely a mark in a dome is typed as something else: letters that look alike, that are worn, or missing.

The shares of this model and the first list of lookalikes are common practice without a source; the list and the share
of marks that are misread are a plant's to change, and the share is corrected by what the plant counted.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from functools import lru_cache

from linelog.calc.errors import CalcError

UNREAD = "?"
#: Letters and digits that are taken for one another, worn or dirty, either way. Common practice, no source.
USUAL_PAIRS = (
    "0/O 0/D 0/Q 0/6 0/8 0/9 1/7 1/I 1/L 1/4 2/7 2/Z 3/8 3/9 3/5 3/B 4/A 4/9 5/6 5/8 5/S 5/9 6/8 6/G 6/B 8/9 8/B 8/S "
    "B/D B/E B/P B/R C/G C/O D/O E/F F/P G/O H/N I/J I/L I/T K/X M/N M/W O/Q P/R U/V V/Y"
)
USUAL_SHARE = 0.10
MOST_PAIRS_LETTERS = 400
_ALPHABET = 36  # letters and digits
#: Of the marks that are misread: a letter taken for another, one missing, two swapped; of letters: for a lookalike.
_ONE_LETTER, _ONE_MISSING, _TWO_SWAPPED, _FOR_A_LOOKALIKE = 0.8, 0.15, 0.05, 0.85
_LEAST_SHARE, _MOST_SHARE = 0.001, 0.3  # beyond it marks are missing from the record rather than misread
_SHARE_RESTS_ON = 50.0  # marks that the set share counts for beside what was counted


@dataclass(frozen=True, slots=True)
class Misreading:
    """How marks are misread: the share of all that are, and the pairs of letters that look alike."""

    share: float = USUAL_SHARE
    pairs: frozenset[frozenset[str]] = frozenset()

    def alike(self, letter: str) -> frozenset[str]:
        """Return what a letter is taken for."""
        return frozenset().union(*(pair for pair in self.pairs if letter in pair)) - {letter}

    def counted(self, wrong: float, of: float) -> Misreading:
        """Return the same with the share corrected by what was counted: `wrong` of so many marks were misread."""
        share = (self.share * _SHARE_RESTS_ON + wrong) / (_SHARE_RESTS_ON + of)
        return Misreading(min(max(share, _LEAST_SHARE), _MOST_SHARE), self.pairs)


def lookalikes(description: str) -> frozenset[frozenset[str]]:
    """Read pairs such as `6/8 1/7`; `CalcError` (field 'mark_lookalikes') says in a sentence what is wrong."""
    words = description.upper().replace(",", " ").split()
    if len(description) > MOST_PAIRS_LETTERS:
        raise CalcError(f"At most {MOST_PAIRS_LETTERS} letters of pairs.", field="mark_lookalikes")
    for word in words:
        if len(word) != 3 or word[1] != "/" or not (word[0] + word[2]).isalnum() or word[0] == word[2]:
            said = f"'{word[:12]}' is no pair: write two letters or digits with a stroke between, such as 6/8."
            raise CalcError(said, field="mark_lookalikes")
    return frozenset(frozenset((word[0], word[2])) for word in words)


def chance_typed(typed: str, mark: str, how: Misreading) -> float:
    """Return the chance, 0 to 1, that this is typed where the mark is that; a `?` says nothing of its letter."""
    return _chance(typed.upper(), mark.upper(), how)


@lru_cache(maxsize=20_000)
def _chance(typed: str, mark: str, how: Misreading) -> float:
    if not typed or not mark:
        return 0.0
    if len(typed) == len(mark) - 1:
        kept = (mark[:at] + mark[at + 1 :] for at in range(len(mark)))
        return how.share * _ONE_MISSING * sum(_fits(typed, left) for left in kept) / len(mark)
    if len(typed) != len(mark):
        return 0.0
    chance = 1.0
    for said, stands in zip(typed, mark, strict=True):
        chance *= _letter(said, stands, how.share * _ONE_LETTER / len(mark), how)
    return chance + _swapped(typed, mark, how)


def _letter(said: str, stands: str, wrong: float, how: Misreading) -> float:
    if said == UNREAD:
        return 1.0
    alike = how.alike(stands)
    to_alike = _FOR_A_LOOKALIKE if alike else 0.0
    others = (1.0 - _FOR_A_LOOKALIKE) / (_ALPHABET - 1)
    if said == stands:
        return 1.0 - wrong * (to_alike + (1.0 - _FOR_A_LOOKALIKE))
    return wrong * (others + (to_alike / len(alike) if said in alike else 0.0))


def _swapped(typed: str, mark: str, how: Misreading) -> float:
    places = len(mark) - 1
    ways = (mark[:at] + mark[at + 1] + mark[at] + mark[at + 2 :] for at in range(places) if mark[at] != mark[at + 1])
    return how.share * _TWO_SWAPPED * sum(_fits(typed, way) for way in ways) / places if places else 0.0


def _fits(typed: str, mark: str) -> bool:
    return all(said in (UNREAD, stands) for said, stands in zip(typed, mark, strict=True))


def chance_unrecorded(typed: str) -> float:
    """Return the chance that a mark of which nothing is known is typed so: any letter as likely as any other."""
    return float(_ALPHABET ** -sum(letter != UNREAD for letter in typed))


def share_of_no_mark(marks: Collection[str], how: Misreading) -> float:
    """Return the share of misread marks, 0 to 1, that read as none of those in use; the mean over those in use."""
    in_use = {mark.upper() for mark in marks}
    shares = []
    for mark in in_use:
        right = _chance(mark, mark, how)
        as_another = sum(_chance(other, mark, how) for other in in_use if other != mark)
        shares.append(1.0 - as_another / (1.0 - right) if right < 1.0 else 1.0)
    return sum(shares) / len(shares) if shares else 1.0
