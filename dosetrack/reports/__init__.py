"""What is handed out: pictures, sheets and files. Returns bytes; the caller writes them."""
