"""Addresses of the tables to take away and of the reports."""

from django.urls import path

from linelog.reports.views import papers, tables

app_name = "reports"

urlpatterns = [
    path("reports/", papers.reports, name="reports"),
    path("reports/weekly.pdf", papers.week, name="weekly"),
    path("reports/audit.pdf", papers.audit, name="audit"),
    path("reports/complaints/<int:pk>.pdf", papers.of_complaint, name="complaint"),
    path("exports/", tables.tables, name="tables"),
    path("exports/dictionary.csv", tables.dictionary, name="dictionary"),
    path("exports/<slug:name>.<slug:kind>", tables.file, name="file"),
]
