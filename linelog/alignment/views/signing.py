"""The page that shows what will be signed, and asks once."""

from __future__ import annotations

from typing import Any

from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils import timezone
from django.views.decorators.cache import never_cache
from django.views.decorators.debug import sensitive_post_parameters
from django.views.decorators.http import require_http_methods

from linelog.alignment.forms.sign import SignForm
from linelog.alignment.models import Signature, Visit
from linelog.alignment.queries import visits_for
from linelog.alignment.services import visits as services
from linelog.alignment.signing.check import to_sign
from linelog.alignment.signing.ran import ran_rows
from linelog.alignment.signing.record import record_of, sealed
from linelog.alignment.views.visits import visit_page
from linelog.plant.models import Plant
from linelog.plant.requests import Request
from linelog.web import pins, signins, units
from linelog.web.errors import Conflict, Refused
from linelog.web.permissions import Permission, needs

PIN, PASSWORD = Signature.Proof.PIN, Signature.Proof.PASSWORD


@sensitive_post_parameters("pin", "password")
@never_cache
@require_http_methods(["GET", "POST"])
@needs(Permission.SIGN_VISIT)
def sign(request: Request, visit_id: int) -> HttpResponse:
    """Show what will be signed and ask once; what changed since it was shown is not signed."""
    visit = get_object_or_404(visits_for(request.user), pk=visit_id)
    proof = asked_for(request, visit)
    form = SignForm(request.POST if request.method == "POST" else None, proof=proof)
    if not visit.is_open:
        return _over(request, visit)
    status, changed = 422 if form.is_bound else 200, None
    if request.method == "POST" and form.is_valid():
        try:
            _prove(request, proof, form)
            services.sign_visit(
                by=request.user, visit=visit, at=timezone.now(), seen=form.cleaned_data["seen"], proof=proof
            )
            return redirect("alignment:visit", visit.pk)
        except Conflict as conflict:
            status, changed = conflict.status, conflict.theirs
            form.add_error(None, conflict.message)
        except Refused as refusal:
            status = refusal.status
            form.add_error(refusal.field if refusal.field in form.fields else None, refusal.message)
    return render(request, "alignment/sign.html", _page(request, visit, form, proof, changed), status=status)


def asked_for(request: Request, visit: Visit) -> str:
    """Return how a signer must show who they are here: the plant's choice, and whether the device is shared."""
    shared, wants = request.tablet_id is not None, visit.machine.line.plant.sign_proof
    if wants == Plant.SignProof.NEVER or (wants == Plant.SignProof.SHARED and not shared):
        return Signature.Proof.SESSION
    return PIN if shared else PASSWORD


def _prove(request: Request, proof: str, form: SignForm) -> None:
    if proof == PIN and request.tablet_id is not None:
        pins.confirm(
            person=request.user,
            device=request.device,
            tablet_id=request.tablet_id,
            pin=form.cleaned_data["pin"],
            at=timezone.now(),
        )
    elif proof == PASSWORD:
        signins.confirm(request=request, password=form.cleaned_data["password"], at=timezone.now())


def _page(request: Request, visit: Visit, form: SignForm, proof: str, changed: Any) -> dict[str, Any]:
    unit = units.of(request.user)
    record, check = record_of(visit, unit), to_sign(visit, unit, timezone.now())
    return {
        "visit": visit,
        "form": form,
        "proof": proof,
        "changed": changed,
        "check": check,
        "ran": ran_rows(visit, check.lines),
        "seen": sealed(visit, record),
    }


def _over(request: Request, visit: Visit) -> HttpResponse:
    """Lead to a visit that is signed or dropped already; to a signature that comes too late, say so."""
    if request.method == "GET":
        return redirect("alignment:visit", visit.pk)
    word = "signed" if visit.state == Visit.State.SIGNED else "dropped"
    return visit_page(
        request, visit, status=422, sign_problem=f"This visit was {word} already: yours was not stored."
    )
