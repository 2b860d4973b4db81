"""What is eating the parts: findings and readings to ranked causes and the next check."""
