"""Addresses of the tables to take away and of the reports."""

from django.urls import path

from linelog.reports.views import tables

app_name = "reports"

urlpatterns = [
    path("exports/", tables.tables, name="tables"),
    path("exports/dictionary.csv", tables.dictionary, name="dictionary"),
    path("exports/<slug:name>.<slug:kind>", tables.file, name="file"),
]
