from django.urls import URLPattern

app_name = "production"

urlpatterns: list[URLPattern] = []
