"""Bytes in, bytes out: routes, negotiation, headers, the exception table."""
