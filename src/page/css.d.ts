/** Style sheets are taken in by vite; nothing is imported from them. */
declare module '*.css';
