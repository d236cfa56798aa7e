"""New files without TOML: questions, a template, a spreadsheet, a form; all from one list."""
