"""What people see: the command line, pictures and tables."""
