"""One file a screen; each is a script that ``dashboard/navigation.py`` runs."""
