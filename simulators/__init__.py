"""A seeded garden for the demonstration, the tests and replay; the product itself never imports it."""
