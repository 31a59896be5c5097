"""Files in, files out, and the durable record of each job."""
