"""One endpoint, one file: request schema, result schema, a view of about three lines."""
