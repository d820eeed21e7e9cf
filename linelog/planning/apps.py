from django.apps import AppConfig


class PlanningConfig(AppConfig):
    name = "linelog.planning"
    label = "planning"
