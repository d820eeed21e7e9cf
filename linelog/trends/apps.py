from django.apps import AppConfig


class TrendsConfig(AppConfig):
    name = "linelog.trends"
    label = "trends"

    def ready(self) -> None:
        """Follow what the summaries rest on, and name the background work."""
        from linelog.trends import refit, tasks  # noqa: F401 - needs the models, which are there only now
        from linelog.trends.evidence import refits  # noqa: F401 - registers itself
        from linelog.web import followers

        for what in (followers.COUNTS, followers.VISITS, followers.TOOLING, followers.CLOCK):
            followers.follow(what, refit.mark_stale)
