"""What is typed into the log: parsed, checked, and turned into um and mm here and nowhere else."""
