"""The world side: files, timelines, hosts and the command line, each turned into planes plus an Encoding."""
