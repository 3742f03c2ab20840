"""What is shown on a page: charts, tables, files of a report."""
