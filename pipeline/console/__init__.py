"""What the commands print: tables and facts on stdout; progress, remarks and errors on stderr."""
