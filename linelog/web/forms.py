"""Forms of the pages that everybody shares."""

from __future__ import annotations

import re
from collections.abc import Iterable
from datetime import date
from typing import Any, cast

from django import forms
from django.contrib.auth.forms import AuthenticationForm
from django.core.validators import RegexValidator
from django.db.models import QuerySet
from django.http import QueryDict

from linelog.web.history import OBJECT
from linelog.web.requests import whole

BAD_DATE = {"invalid": "This is not a date of the calendar."}
KNOWN_DAYS = (date(2000, 1, 1), date(2100, 12, 31))


class DateInput(forms.DateInput):
    """The browser's own date picker."""

    input_type = "date"

    def __init__(self, **kwargs: Any) -> None:
        super().__init__(format="%Y-%m-%d", **kwargs)


def offer(form: forms.BaseForm, name: str, choices: Iterable[tuple[Any, Any]]) -> None:
    """Give a field the choices that depend on who asks."""
    cast(forms.ChoiceField, form.fields[name]).choices = list(choices)


def offer_rows(form: forms.BaseForm, name: str, rows: QuerySet[Any]) -> None:
    """Give a field the rows that may be chosen, which depend on who asks."""
    cast("forms.ModelChoiceField[Any]", form.fields[name]).queryset = rows


def add_row(data: QueryDict, prefix: str) -> None:
    """Ask for one row more of a set of forms than was sent; a count that makes no sense is left to be refused."""
    name = f"{prefix}-TOTAL_FORMS"
    rows = whole(data.get(name, ""))
    if rows is not None:
        data[name] = str(rows + 1)


def known_day(day: date) -> None:
    """Refuse days that no log could hold."""
    if not KNOWN_DAYS[0] <= day <= KNOWN_DAYS[1]:
        raise forms.ValidationError(f"Give a day between {KNOWN_DAYS[0]} and {KNOWN_DAYS[1]}.")


def ends_after_it_begins(form: forms.Form, first: str, last: str) -> None:
    """Refuse a span of days that ends before it begins, at the field of its end."""
    begins, ends = form.cleaned_data.get(first), form.cleaned_data.get(last)
    if begins and ends and begins > ends:
        form.add_error(last, "The span ends before it begins.")


class TextLine(forms.CharField):
    """A text on one line: every break of a line and every other control sign in it becomes one blank.

    The one rule for names, codes and notes of a line, whatever was pasted: a break in a name would end the line of a
    calendar, a header or a table. A text of several lines is a `CharField` with a `Textarea`.
    """

    def to_python(self, value: Any) -> Any:
        """Join the lines."""
        text = super().to_python(value)
        return one_line(text) if isinstance(text, str) else text


def one_line(text: str) -> str:
    """Return a text with everything that ends a line, and other control signs but NUL, as one blank."""
    return LINE_BREAKS.sub(" ", text).strip() if LINE_BREAKS.search(text) else text


_ENDS = r"\x01-\x1f\x7f-\x9f\u2028\u2029"
LINE_BREAKS = re.compile(rf"[\s{_ENDS}]*[{_ENDS}][\s{_ENDS}]*")

#: What can be typed and printed everywhere, and head the column of a file.
plain_code = RegexValidator(
    r"^[A-Za-z0-9][A-Za-z0-9_.-]*\Z", "A code has letters, digits, - _ or . and begins with a letter or digit."
)


class SignInForm(AuthenticationForm):
    """A name and a password, and whether the device is to be shared."""

    shared = forms.BooleanField(required=False, label="This is a shared tablet: people take it over with their PIN")

    error_messages = {
        "invalid_login": "That name and password do not belong together. Mind capitals in both.",
        "inactive": "That name and password do not belong together. Mind capitals in both.",
    }

    def clean(self) -> dict[str, Any]:
        """Refuse to share a device whose account belongs to no plant: nobody could take it over."""
        cleaned = super().clean()
        user: Any = self.get_user()
        if cleaned.get("shared") and user is not None and user.plant_id is None:
            raise forms.ValidationError("A shared tablet needs an account that belongs to a plant; yours has none.")
        return cleaned


class PinForm(forms.Form):
    """The PIN of the person whose name was chosen."""

    pin = forms.CharField(
        max_length=6,
        strip=True,
        label="PIN",
        error_messages={"required": "Type your PIN.", "max_length": "A PIN is 4 to 6 digits."},
        widget=forms.PasswordInput(
            attrs={"inputmode": "numeric", "autocomplete": "one-time-code", "maxlength": 6, "autofocus": True}
        ),
    )


class HistoryForm(forms.Form):
    """What to look for in the history."""

    person = TextLine(required=False, max_length=150, label="Person")
    object = forms.RegexField(
        rf"^{OBJECT.pattern}\Z",
        required=False,
        max_length=101,
        label="Record",
        help_text="Kind and number; the link on a record fills it in.",
        error_messages={"invalid": "Name a record as kind:number, for example machine:12."},
    )
    first = forms.DateField(
        required=False, label="From", widget=DateInput, error_messages=BAD_DATE, validators=[known_day]
    )
    last = forms.DateField(
        required=False, label="To", widget=DateInput, error_messages=BAD_DATE, validators=[known_day]
    )

    def clean(self) -> dict[str, Any]:
        """Refuse a span that ends before it begins."""
        cleaned: dict[str, Any] = super().clean() or {}
        ends_after_it_begins(self, "first", "last")
        return cleaned
