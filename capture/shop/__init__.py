"""One record of several benches: a bench's book and the shop's store on PostgreSQL, both ways."""
