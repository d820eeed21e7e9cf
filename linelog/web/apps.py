from django.apps import AppConfig
from django.db.models.signals import post_migrate, pre_migrate
from django.utils.module_loading import autodiscover_modules

from linelog.web import protection, requestid


class WebConfig(AppConfig):
    name = "linelog.web"
    label = "web"
    kept = protection.never_changed("web_auditevent", "A line of the history is never changed.")

    def ready(self) -> None:
        """Keep the protected records protected through migrations, and learn what each app has a worker do."""
        pre_migrate.connect(protection.before_migrate, sender=self)
        post_migrate.connect(protection.after_migrate, sender=self)
        autodiscover_modules("tasks")
        requestid.log_crashes()
