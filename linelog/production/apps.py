from django.apps import AppConfig


class ProductionConfig(AppConfig):
    name = "linelog.production"
    label = "production"

    def ready(self) -> None:
        """Name the background work, so that whoever offers a job knows its task."""
        from linelog.production import tasks  # noqa: F401 - needs the models, which are there only now
