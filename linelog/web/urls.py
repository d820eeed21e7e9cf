from django.urls import path

from linelog.web.views import health, history, jobs, offline, sign_in, tablet

app_name = "web"

urlpatterns = [
    path("sign-in/", sign_in.sign_in, name="sign_in"),
    path("sign-out/", sign_in.sign_out, name="sign_out"),
    path("tablet/", tablet.names, name="tablet"),
    path("tablet/<int:person_id>/", tablet.take_over, name="take_over"),
    path("tablet/hand-over/", tablet.hand_over, name="hand_over"),
    path("tablet/still-here/", tablet.still_here, name="still_here"),
    path("history/", history.events, name="history"),
    path("jobs/<int:job_id>/", jobs.job, name="job"),
    path("jobs/<int:job_id>/cancel/", jobs.cancel, name="job_cancel"),
    path("service-worker.js", offline.service_worker, name="service_worker"),
    path("no-connection/", offline.no_connection, name="no_connection"),
    path("who/", offline.who, name="who"),
    path("health", health.health, name="health"),
    path("robots.txt", health.robots, name="robots"),
]
