from django.apps import AppConfig


class PlanningConfig(AppConfig):
    name = "linelog.planning"
    label = "planning"

    def ready(self) -> None:
        """Close the entry of the plan that a visit came of in the transaction that signs it; tell what is planned."""
        from linelog.planning.queries import planned_of
        from linelog.planning.services.entries import close_at_signing
        from linelog.trends.state import planned
        from linelog.web import followers

        followers.follow(followers.VISITS, close_at_signing)
        planned.told_by(planned_of)
