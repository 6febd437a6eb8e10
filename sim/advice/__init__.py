"""What a practitioner would notice, and how to meet a wish: checks, balance, comparison."""
