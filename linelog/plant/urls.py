from django.urls import URLPattern

app_name = "plant"

urlpatterns: list[URLPattern] = []
