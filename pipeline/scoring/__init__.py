"""From conditions to expected harm, ranks and reasons."""
