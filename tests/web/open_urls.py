"""An address whose view forgot to name its permission."""

from django.http import HttpResponse
from django.urls import path

from linelog.urls import handler400, handler403, handler404, handler500, urlpatterns

__all__ = ["handler400", "handler403", "handler404", "handler500"]

urlpatterns = [*urlpatterns, path("forgotten/", lambda request: HttpResponse("open to all"), name="forgotten")]
