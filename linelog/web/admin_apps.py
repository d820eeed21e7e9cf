from django.contrib.admin.apps import AdminConfig


class TablesConfig(AdminConfig):
    """The framework's app with our site in it."""

    default_site = "linelog.web.admin_site.Tables"

    def ready(self) -> None:
        """Take the groups out once all tables are registered: what a person may do follows from the role."""
        super().ready()
        from django.contrib import admin
        from django.contrib.auth.models import Group

        admin.site.unregister(Group)
