//! A folder and a plan in, the answers of a whole job out.
