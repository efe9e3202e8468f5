"""One module a job of the user, put together from the rooms below."""
