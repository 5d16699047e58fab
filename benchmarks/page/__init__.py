"""What a choice on the living page costs."""
