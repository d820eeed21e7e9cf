from django.apps import AppConfig

from linelog.alignment.protection import RULES


class AlignmentConfig(AppConfig):
    name = "linelog.alignment"
    label = "alignment"
    kept = RULES

    def ready(self) -> None:
        """Name the background work, so that whoever offers a job knows its task."""
        from linelog.alignment import tasks  # noqa: F401 - needs the models, which are there only now
