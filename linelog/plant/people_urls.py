from django.urls import path

from linelog.plant import people_views as views

app_name = "people"

urlpatterns = [
    path("", views.everybody, name="people"),
    path("add/", views.add, name="add"),
    path("me/", views.me, name="me"),
    path("me/password/", views.my_password, name="my_password"),
    path("me/pin/", views.my_pin, name="my_pin"),
    path("<int:person_id>/", views.person, name="person"),
    path("<int:person_id>/password/", views.password, name="password"),
    path("<int:person_id>/pin/", views.pin, name="pin"),
    path("<int:person_id>/pin/clear/", views.clear_pin, name="clear_pin"),
]
