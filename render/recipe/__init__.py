"""What a recipe may say: models, loading, inheritance, messages. No numpy here."""
