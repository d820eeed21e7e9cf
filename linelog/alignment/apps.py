from django.apps import AppConfig


class AlignmentConfig(AppConfig):
    name = "linelog.alignment"
    label = "alignment"
