"""The `tidewarden` command."""
