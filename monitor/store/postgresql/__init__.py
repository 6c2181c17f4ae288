"""The store on a PostgreSQL server: its connection, sessions, schema, and readings in bulk."""
