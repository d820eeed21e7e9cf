from django.apps import AppConfig


class PlanningConfig(AppConfig):
    name = "linelog.planning"
    label = "planning"

    def ready(self) -> None:
        """Close the entry of the plan that a visit came of, in the transaction that signs it."""
        from linelog.planning.services.entries import close_at_signing
        from linelog.web import followers

        followers.follow(followers.VISITS, close_at_signing)
