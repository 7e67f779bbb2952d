"""Page model and its output formats: HTML, PDF, workbook."""
