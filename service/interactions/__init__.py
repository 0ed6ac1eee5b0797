"""What each RESTful verb means."""
