"""What follows from a reading's landmarks alone."""
