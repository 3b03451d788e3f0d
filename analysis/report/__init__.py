"""What is said: findings as text, JSON and pages. Numbers are made elsewhere."""
