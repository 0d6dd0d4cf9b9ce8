"""Files in and out: tables, project files, results."""
