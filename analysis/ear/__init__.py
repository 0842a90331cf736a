"""The ear: learns what a buzzer sounds like and finds the moments at which it changes."""
