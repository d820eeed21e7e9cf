from django.apps import AppConfig


class ProductionConfig(AppConfig):
    name = "linelog.production"
    label = "production"
