"""The clinician's page: goals across visits, drawn on the server; works without script and outside hosts."""
