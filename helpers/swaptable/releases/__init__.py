"""Public food tables and the user's own products turned into food releases."""
