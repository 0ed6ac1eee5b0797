"""Who is asking and what their token allows."""
