"""The line check: what is wrong with the takes of a session, before anything is mixed."""
