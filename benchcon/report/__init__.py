"""What a walk leaves behind: the text, the page to keep, the JUnit file, and the folder that holds them."""
