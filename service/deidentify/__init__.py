"""De-identification, pure: policy, dates, places, pseudonyms, small cells."""
