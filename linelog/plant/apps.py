from django.apps import AppConfig


class PlantConfig(AppConfig):
    name = "linelog.plant"
    label = "plant"
