from django.urls import URLPattern

app_name = "alignment"

urlpatterns: list[URLPattern] = []
