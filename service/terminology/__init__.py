"""Code tables: what is emitted, how sure we are of it, and under which licence."""
