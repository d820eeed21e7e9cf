from django.apps import AppConfig

from linelog.alignment.protection import RULES


class AlignmentConfig(AppConfig):
    name = "linelog.alignment"
    label = "alignment"
    kept = RULES
