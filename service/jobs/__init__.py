"""Work beside the requests: research export, delivery."""
