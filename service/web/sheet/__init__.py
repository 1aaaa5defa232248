"""The setup sheet for people: words of its steps, pictures, the page for telephone and paper."""
