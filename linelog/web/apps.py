from django.apps import AppConfig


class WebConfig(AppConfig):
    name = "linelog.web"
    label = "web"
