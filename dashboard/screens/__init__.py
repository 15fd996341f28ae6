"""One file a screen; each is a script that ``dashboard/app.py`` runs."""
