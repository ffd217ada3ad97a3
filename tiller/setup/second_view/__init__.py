"""The second view for whoever asks: by the command and by the window's guided job."""
