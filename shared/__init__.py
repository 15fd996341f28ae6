"""The language both sides speak: vocabulary, record layouts, the rule book, faults."""
