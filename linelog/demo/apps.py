from django.apps import AppConfig


class DemoConfig(AppConfig):
    name = "linelog.demo"
    label = "demo"
