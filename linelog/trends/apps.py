from django.apps import AppConfig


class TrendsConfig(AppConfig):
    name = "linelog.trends"
    label = "trends"

    def ready(self) -> None:
        """Follow what the summaries rest on."""
        from linelog.trends import refit
        from linelog.trends.repeats.refit import follow_findings
        from linelog.web import followers

        f = followers
        for what in (f.COUNTS, f.VISITS, f.TOOLING, f.RUNNING, f.EVENTS, f.CLOCK):
            followers.follow(what, refit.mark_stale)
        followers.follow(f.FINDINGS, follow_findings)
