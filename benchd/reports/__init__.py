"""What is handed to people on paper or as a picture: findings in, bytes out. matplotlib is loaded only in here."""
