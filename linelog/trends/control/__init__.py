"""Control charts of every machine, and their signals: kept until somebody says what was found."""
