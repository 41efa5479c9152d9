"""NAVTEX: safety messages to ships by telegraphy on medium and high frequencies."""
