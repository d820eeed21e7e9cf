"""Addresses where findings are entered and corrected."""

from django.urls import path

from linelog.production.views import findings

app_name = "findings"

urlpatterns = [
    path("add/", findings.add, name="add"),
    path("<int:finding_id>/correct/", findings.correct, name="correct"),
    path("<int:finding_id>/take-out/", findings.take_out, name="take_out"),
    path("<int:finding_id>/photo/", findings.add_photo, name="add_photo"),
    path("photos/<int:photo_id>/", findings.photo, name="photo"),
]
