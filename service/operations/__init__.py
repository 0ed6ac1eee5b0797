"""What each operation means."""
