"""Values turned into words: JSON documents, terminal tables, pages and the lesson."""
