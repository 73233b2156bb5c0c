"""Who may log in at the screens, and whether their door is shut."""
