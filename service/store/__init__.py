"""Where versions of resources are kept."""
