"""What the cohort is like: summaries, groups, associations."""
