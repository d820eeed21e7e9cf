import os

from django.core.wsgi import get_wsgi_application

from linelog.web.warm import warm

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "linelog.settings")

application = get_wsgi_application()
warm()
