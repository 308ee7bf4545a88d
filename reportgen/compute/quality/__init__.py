"""What in the data weighs on what can be concluded from them."""
