"""One thin module a command: parse, call a workflow, print, choose the exit status."""
