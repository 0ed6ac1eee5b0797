"""Goal attainment, pure: trials, own judgement, criterion runs, status, trend, scaling, dose."""
