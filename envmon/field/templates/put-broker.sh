owned "@USER@" "@PASSWORD_FILE@"
mkdir -p "@STATE@" "@RUN@"
for kept in "@STATE@" "@RUN@" "@ETC@/envmon.acl" "@ETC@"/envmon*.passwd; do
    owned "@BROKER_USER@" "$kept"
done
