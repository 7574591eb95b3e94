"""The demo: the Ostrey tower trainer, a made-up airfield control tower of three desks."""
