"""What people bring in tables and by hand: CSV files and keyed readings. Pure."""
