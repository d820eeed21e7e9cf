from django.apps import AppConfig


class TrendsConfig(AppConfig):
    name = "linelog.trends"
    label = "trends"

    def ready(self) -> None:
        """Follow what the summaries rest on."""
        from linelog.trends import refit
        from linelog.web import followers

        kinds = (followers.COUNTS, followers.VISITS, followers.TOOLING, followers.RUNNING, followers.CLOCK)
        for what in kinds:
            followers.follow(what, refit.mark_stale)
