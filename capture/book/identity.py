"""What tells a book of ours from other files, and of which version it is."""

# In order; a name in a book beside these: a newer program has written it.
MIGRATION_NAMES = (
    "0001_first_book",
    "0002_checks_and_scales",
    "0003_nominals_and_rulings",
    "0004_entries_and_references",
    "0005_sweeps_in_brief",
)
APPLICATION_ID = 0x436F696C  # "Coil": tells our file from any other SQLite file
