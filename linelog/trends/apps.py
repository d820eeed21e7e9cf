from django.apps import AppConfig


class TrendsConfig(AppConfig):
    name = "linelog.trends"
    label = "trends"
