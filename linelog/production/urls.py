from django.urls import path

from linelog.production.views import causes, counts, events, uploads, walls

app_name = "production"

urlpatterns = [
    path("", counts.recent, name="counts"),
    path("enter/", counts.enter, name="enter"),
    path("export.csv", counts.export, name="export"),
    path("changes/", counts.changes, name="changes"),
    path("<int:count_id>/", counts.row, name="row"),
    path("<int:count_id>/correct/", counts.correct, name="correct"),
    path("<int:count_id>/take-out/", counts.take_out, name="take_out"),
    path("causes/", causes.everything, name="causes"),
    path("causes/add/", causes.add, name="cause_add"),
    path("causes/<int:cause_id>/", causes.one, name="cause"),
    path("causes/<int:cause_id>/take-out/", causes.take_out, name="cause_take_out"),
    path("events/", events.recent, name="events"),
    path("events/add/", events.add, name="event_add"),
    path("events/<int:event_id>/take-out/", events.take_out, name="event_take_out"),
    path("wall/", walls.recent, name="walls"),
    path("wall/enter/", walls.enter, name="wall_enter"),
    path("wall/file/", walls.from_file, name="wall_file"),
    path("wall/template.csv", walls.template, name="wall_template"),
    path("wall/<int:sample_id>/", walls.one, name="wall_sample"),
    path("wall/<int:sample_id>/correct/", walls.correct, name="wall_correct"),
    path("wall/<int:sample_id>/take-out/", walls.take_out, name="wall_take_out"),
    path("uploads/", uploads.everything, name="uploads"),
    path("uploads/template.<str:kind>", uploads.template, name="template"),
    path("uploads/<int:upload_id>/", uploads.one, name="upload"),
    path("uploads/<int:upload_id>/store/", uploads.store, name="upload_store"),
    path("uploads/<int:upload_id>/read-again/", uploads.read_again, name="upload_read_again"),
    path("uploads/<int:upload_id>/cancel/", uploads.cancel, name="upload_cancel"),
    path("uploads/<int:upload_id>/original/", uploads.original, name="upload_original"),
    path("uploads/<int:upload_id>/bad-rows.csv", uploads.problems, name="upload_problems"),
]
