"""The DuckDB warehouse: built from landed exports, ledger and rule book, and swapped in whole."""
