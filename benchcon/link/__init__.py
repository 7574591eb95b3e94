"""The link: finds ports, opens them, keeps them open, several boards as one bench. The only writer."""
