"""One module a revision; a revision never imports the schema, which has moved on since."""
