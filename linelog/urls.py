"""Where every page lives."""

from django.contrib import admin
from django.urls import include, path

from linelog.web import errors

urlpatterns = [
    path("visits/", include("linelog.alignment.urls")),  # first: the readings that are typed ask there
    path("", include("linelog.web.urls")),
    path("", include("linelog.trends.urls")),
    path("people/", include("linelog.plant.people_urls")),
    path("setup/", include("linelog.plant.urls")),
    path("counts/", include("linelog.production.urls")),
    path("plan/", include("linelog.planning.urls")),
    path("findings/", include("linelog.production.finding_urls")),
    path("", include("linelog.reports.urls")),
    path("admin/", admin.site.urls),
]

handler400 = errors.bad_request
handler403 = errors.forbidden
handler404 = errors.not_found
handler500 = errors.server_error
