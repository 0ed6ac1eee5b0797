"""Goal attainment, pure: trials, own judgement, criterion runs, status, trend, scaling, dose.

Beside the goals: luck of a criterion, signal detection, phases, reliable change, swallow studies in counts
and like for like, attention cues, time to attainment of a cohort.
"""
